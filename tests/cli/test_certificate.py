"""`startledger certificate`: made once, shown again, renewed on demand; never more than its owner may read."""

from __future__ import annotations

import json
from pathlib import Path

from tests.cli.shell import ROOT, run

MOTOR = "motor: {rated_power: 45 kW, rated_voltage: 400 V, full_load_current: 82 A}"


def site(folder: Path, more: str = "") -> Path:
    path = folder / "site.yaml"
    device = f'map: {ROOT / "config/maps/softline-ua.yaml"}, opcua: {{endpoint: "opc.tcp://10.20.0.31"{more}}}'
    path.write_text(f"site: S\ntime_zone: UTC\nstarters:\n  a: {{{device}, {MOTOR}}}\n", encoding="utf-8")
    return path


def test_a_certificate_is_made_shown_and_renewed(tmp_path: Path) -> None:
    path = site(tmp_path)
    made = run("certificate", path)
    assert made.status == 0, made.err
    key = tmp_path / "certificates" / "own" / "key.pem"
    assert key.stat().st_mode & 0o077 == 0
    assert "trust it there" in made.out
    first, again, renewed = (
        json.loads(run("certificate", "--json", path, *more).out)["certificates"][0] for more in ((), (), ("--renew",))
    )
    assert first == again
    assert not first["made"]
    assert renewed["made"]
    assert renewed["fingerprint_sha256"] != first["fingerprint_sha256"]
    assert renewed["application_uri"].startswith("urn:")
    assert first["fingerprint_sha256"] in made.out
    assert "PRIVATE" not in made.out


def test_a_site_that_needs_none_says_so(tmp_path: Path) -> None:
    ran = run("certificate", site(tmp_path, ", security: none"))
    assert ran.status == 2
    assert "no certificate is needed" in ran.err
    assert not (tmp_path / "certificates").exists()


def test_files_that_cannot_be_used_are_told(tmp_path: Path) -> None:
    path = site(tmp_path, ", certificates: keys")
    own = tmp_path / "keys" / "own"
    own.mkdir(parents=True)
    (own / "certificate.pem").write_text("nothing")
    (own / "key.pem").write_text("nothing")
    ran = run("certificate", path)
    assert ran.status == 2
    assert "--renew makes a new one" in ran.err
    (tmp_path / "file").write_text("")
    ran = run("certificate", site(tmp_path, ", certificates: file/keys"))
    assert ran.status == 2
    assert "cannot be written" in ran.err
