"""The handbook's pages on the two file formats: their examples load, and no field is left untold."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from gateway.registers import load, modbus_signals, opcua_signals
from gateway.registers.model import WordType
from gateway.registers.roles import ROLES
from gateway.site import check_files, motor_fields, reach_fields, rule_fields, starter_fields
from gateway.site import load as site_load

ROOT = Path(__file__).parents[2]
HANDBOOK = ROOT / "gateway" / "handbook"


def page(name: str) -> str:
    return (HANDBOOK / name).read_text(encoding="utf-8")


@pytest.mark.parametrize("name", ["map-file.md", "site-file.md"])
def test_the_examples_are_good_files(name: str, tmp_path: Path) -> None:
    for path in (ROOT / "config" / "maps").glob("*.yaml"):
        (tmp_path / path.name).write_text(path.read_text(encoding="utf-8"), encoding="utf-8")
    examples = re.findall(r"```yaml\n(.*?)```", page(name), flags=re.DOTALL)
    assert examples
    for place, example in enumerate(examples):
        path = tmp_path / f"example-{place}.yaml"
        path.write_text(example, encoding="utf-8")
        result = check_files([path])
        assert all(entry["ok"] for entry in result["files"]), result


def test_every_field_of_a_map_is_told() -> None:
    text = page("map-file.md")
    fields = {*load._COMMON, *load._MODBUS, *load._OPCUA, *modbus_signals._FIELDS, *opcua_signals._FIELDS}
    assert [field for field in sorted(fields) if f"`{field}`" not in text] == []
    assert [kind.value for kind in WordType if f"`{kind.value}`" not in text] == []


def test_every_role_is_told_as_it_is() -> None:
    text = page("map-file.md")
    for name, role in ROLES.items():
        assert f"| `{name}` | {role.kind.value} | {role.unit} | {role.meaning} |" in text


def test_every_field_of_a_site_is_told() -> None:
    text = page("site-file.md")
    fields = {
        *site_load._FIELDS,
        *site_load._DEFAULTS,
        *starter_fields._FIELDS,
        *reach_fields.MODBUS,
        *reach_fields.OPCUA,
        *motor_fields._MOTOR,
        *motor_fields._LOAD,
        *motor_fields._STARTER,
        *rule_fields._LIMITS,
        *rule_fields._THRESHOLDS,
        *rule_fields._PACE,
        *rule_fields._ALERTS,
    }
    assert [field for field in sorted(fields) if f"`{field}`" not in text] == []
