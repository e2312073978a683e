"""`startledger check --plan`: what is asked of each map's device, as text and as JSON, byte for byte."""

from __future__ import annotations

import json

from tests.cli.shell import ROOT, run

MAPS = ROOT / "config" / "maps"


def test_every_request_is_printed_with_its_bytes_and_signals() -> None:
    ran = run("check", "--plan", MAPS / "bridge-soft-start.yaml")
    assert ran.status == 0
    assert "slow    function 3  holding 100 to 103 on the wire, 4 in all" in ran.out
    # Unit 1, function 3, address 100, 4 registers (Modbus Application Protocol V1.1b3, 6.3; Messaging Implementation Guide V1.0b, 3.1.3).
    assert "00 01 00 00 00 06 01 03 00 64 00 04" in ran.out
    assert "set_ramp_time, set_current_limit" in ran.out
    assert "1 file checked, 0 problems" in ran.out


def test_the_json_names_each_signal_at_each_pace() -> None:
    ran = run("check", "--plan", "--json", ROOT / "config" / "demo" / "site.yaml")
    plans = {plan["map"]: plan for plan in json.loads(ran.out)["plans"]}
    assert set(plans) == {"ramp-pro-metered", "feeder-block", "bridge-soft-start", "softline-ua"}
    assert plans["softline-ua"]["requests"] == []
    for each in (request for plan in plans.values() for request in plan["requests"]):
        sent = bytes.fromhex(each["bytes"])
        assert (sent[7], int.from_bytes(sent[8:10], "big"), int.from_bytes(sent[10:12], "big")) == (
            each["function_code"],
            each["first"],
            each["count"],
        )
        assert bytes.fromhex(each["bytes_rtu"])[:2] == sent[6:8]
        assert each["pace"] in ("normal", "slow", "watch")
        assert each["signals"]


def test_a_map_with_mistakes_has_no_plan() -> None:
    ran = run("check", "--plan", "--json", ROOT / "pyproject.toml")
    assert ran.status == 1
    assert json.loads(ran.out)["plans"] == []
