"""The bench's commands over encrypted connections and serial framing, and a start on OPC UA recorded and read again."""

from __future__ import annotations

import asyncio
import json
import math
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.serialization import Encoding

from gateway.drivers.own_certificate import make_certificate
from gateway.instants import from_datetime
from gateway.site import OpcuaSecurity
from tests.bench.bare_server import BareServer, bare
from tests.bench.live import Ran, run_command, startledger
from tests.drivers.authority import NOW, Authority
from tests.drivers.opcua_server import PLANT, SERVER_URI, Plant, Protection, free_port, serving
from tests.drivers.test_tls import server_context

STEADY: dict[str, object] = {"current": 41.5, "voltage": 401.0, "running": True}


def ua_map(path: Path, signals: dict[str, str]) -> Path:
    lines = [f"  {name}: {{{entries}}}" for name, entries in signals.items()]
    head = ["map: fan-ua", "protocol: opcua", f"namespace: {PLANT}", "timeout: 5 s", "signals:"]
    path.write_text("\n".join([*head, *lines]) + "\n", encoding="utf-8")
    return path


MAP = {"current": "node: s=current, unit: A", "voltage": "node: s=voltage, unit: V", "running": "node: s=running"}


async def test_a_protected_server_is_verified_and_browsed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    authority = Authority(tmp_path)
    security = OpcuaSecurity(folder=tmp_path / "certificates")
    make_certificate(security, from_datetime(NOW))
    (security.trusted / "authority.pem").write_bytes(authority.certificate.public_bytes(Encoding.PEM))
    server = authority.sign("server", uri=SERVER_URI)
    protection = Protection(server.pem, server.key_pem, users={"reader": "Löwe-17"})
    monkeypatch.setenv("PLANT_OPCUA", "Löwe-17")
    path, port = ua_map(tmp_path / "map.yaml", MAP), free_port()
    endpoint = f"opc.tcp://127.0.0.1:{port}/plant"
    safely = ("--certificates", security.folder, "--user", "reader")
    async with serving(port, STEADY, protection=protection):
        ran = await startledger("bench", "verify", path, endpoint, *safely, "--password-variable", "PLANT_OPCUA")
        assert ran.status == 0, ran.err + ran.out
        assert "signed and encrypted with basic256sha256 as reader" in ran.err
        assert "Löwe-17" not in ran.err + ran.out
        ran = await startledger("bench", "browse", endpoint, *safely, "--password-variable", "PLANT_OPCUA")
        assert f"nsu={PLANT};s=current" in ran.out, ran.err
        ran = await startledger("bench", "verify", path, endpoint, *safely, "--password-variable", "PLANT_NOT_SET")
        assert (ran.status, "PLANT_NOT_SET" in ran.err) == (2, True)
        ran = await startledger("bench", "verify", path, endpoint)
        assert ran.status == 2
        assert "it wants a user or a certificate" in ran.err or "security" in ran.err


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--security", "none", "--user", "reader"), "belongs to a protected connection"),
        (("--user", "reader"), "there is no terminal to ask for the password at"),
        (("--password-variable", "PLANT"), "a password needs its user"),
        (("--user-certificate", "a.pem"), "come together"),
    ],
)
def test_options_that_do_not_fit_together(tmp_path: Path, options: tuple[str, ...], words: str) -> None:
    ran = run_command("bench", "verify", ua_map(tmp_path / "map.yaml", MAP), "opc.tcp://127.0.0.1:1/", *options)
    assert ran.status == 2
    assert words in ran.err
    assert not any("password" in option and "=" in option for option in options)


MODBUS_MAP = "map: one\nprotocol: modbus\nsignals:\n  voltage: {at: holding 3, type: uint16, unit: V}\n"


@pytest.mark.parametrize("command", ["verify", "peek", "find", "probe"])
async def test_modbus_over_tls(tmp_path: Path, command: str) -> None:
    authority = Authority(tmp_path)
    device, own = authority.sign("device", uri="", hosts=("127.0.0.1",)), authority.sign("gateway", number=7)
    path = tmp_path / "map.yaml"
    path.write_text(MODBUS_MAP, encoding="utf-8")
    more: dict[str, tuple[object, ...]] = {
        "verify": (path,),
        "peek": ("--at", "holding 3"),
        "find": ("--value", "401 V", "--in", "holding 0-9"),
        "probe": ("--round-trips", 2, "--at", "holding 3", "--connections", 2),
    }
    server = BareServer(lambda unit, function, first, count: [401 if at == 3 else 0 for at in range(first, first + count)])
    async with bare(server, server_context(device, authority)):
        before, after = (more[command], ()) if command == "verify" else ((), more[command])
        safely = ("--tls-trust", authority.pem, "--tls-certificate", own.pem, "--tls-key", own.key_pem, "--rate", 200)
        ran = await startledger("bench", command, *before, f"127.0.0.1:{server.port}", *after, *safely)
        assert ran.status == 0, ran.err + ran.out
        assert "401" in ran.out or command == "probe"
        plain = await startledger("bench", command, *before, f"127.0.0.1:{server.port}", *after, "--rate", 200, "--timeout", 0.3)
        assert plain.status in (1, 2)


async def test_a_certificate_that_is_not_trusted_is_told(tmp_path: Path) -> None:
    (tmp_path / "other").mkdir()
    authority, other = Authority(tmp_path), Authority(tmp_path / "other", label="other authority", number=3)
    device = authority.sign("device", uri="", hosts=("127.0.0.1",))
    server = BareServer(lambda unit, function, first, count: [1] * count)
    async with bare(server, server_context(device)):
        where = f"127.0.0.1:{server.port}"
        ran = await startledger("bench", "peek", where, "--at", "holding 3", "--tls-trust", other.pem)
        assert (ran.status, "certificate is not trusted" in ran.err) == (2, True), ran.err
        ran = await startledger("bench", "peek", where, "--at", "holding 3", "--tls-trust", tmp_path / "none.pem")
        assert (ran.status, "cannot be used" in ran.err) == (2, True), ran.err
        ran = await startledger("bench", "peek", where, "--at", "holding 3", "--tls-key", device.key_pem)
        assert (ran.status, "would not be encrypted" in ran.err) == (2, True), ran.err


async def test_serial_framing_over_a_socket(tmp_path: Path) -> None:
    path = tmp_path / "map.yaml"
    path.write_text(MODBUS_MAP, encoding="utf-8")
    server = BareServer(lambda unit, function, first, count: [401 if unit == 5 else 0] * count, is_rtu=True)
    record = tmp_path / "rtu.jsonl"
    async with bare(server):
        where = f"127.0.0.1:{server.port}"
        ran = await startledger("bench", "verify", path, where, "--unit", 5, "--framing", "rtu", "--record", record, "--rate", 100)
        assert (ran.status, "401 V" in ran.out) == (0, True), ran.err + ran.out
        ran = await startledger("bench", "probe", where, "--units", "5", "--framing", "rtu", "--round-trips", 3, "--rate", 100)
        assert ran.status == 0, ran.err
    again = run_command("bench", "verify", path, "--frames", record, "--unit", 5)
    assert (again.status, "401 V" in again.out) == (0, True)


async def _start(plant: Plant) -> None:
    """A start of a motor of 40 A: it stands, takes six times as much for a moment, and runs on."""
    for step in range(400):
        since = step * 0.05 - 1.0
        ratio = 0.0 if since < 0 else 6.0 - since if since < 1.5 else 0.8
        values = {
            "amps": 40.0 * ratio,
            "milliamps": 40_000.0 * ratio,
            "current_l2": 40.4 * ratio,
            "voltage": 400.0 - math.sin(step),
            "temperature": 15.0 + 0.01 * step,
            "running": since >= 0,
            "starting": 0 <= since < 1.5,
            "starts": 17 + (since >= 0),
        }
        for name, value in values.items():
            await plant.put(name, value)
        await asyncio.sleep(0.05)


async def test_a_start_on_opcua_is_recorded_and_corrected(tmp_path: Path) -> None:
    wrong = {
        "current_l1": "node: s=milliamps, unit: A",
        "current_l2": "node: s=current_l2, unit: A",
        "voltage": "node: s=temperature, unit: V",
        "running": "node: s=running",
        "starting": "node: s=starting",
        "start_count": "node: s=starts",
    }
    names: dict[str, object] = {
        **dict.fromkeys(("amps", "milliamps", "current_l2", "voltage", "temperature"), 0.0),
        **dict.fromkeys(("running", "starting"), False),
        "starts": 17,
    }
    path, port, record = ua_map(tmp_path / "map.yaml", wrong), free_port(), tmp_path / "start.jsonl"
    async with serving(port, names) as plant:
        motor = asyncio.create_task(_start(plant))
        ran = await startledger(
            "bench", "propose", path, f"opc.tcp://127.0.0.1:{port}/plant", "--for", 3.5, "--rate", 20, "--record", record, "--json"
        )
        motor.cancel()
        await asyncio.gather(motor, return_exceptions=True)
    assert ran.status == 1, ran.err
    _check_proposals(ran)
    again = run_command("bench", "propose", path, "--frames", record, "--json")
    assert json.loads(again.out)["changes"] == json.loads(ran.out)["changes"]
    fixed = {**wrong, "current_l1": "node: s=milliamps, unit: A, scale: 0.001", "voltage": "node: s=voltage, unit: V"}
    clean = run_command("bench", "verify", ua_map(tmp_path / "fixed.yaml", fixed), "--frames", record, "--watch")
    assert clean.status == 0, clean.out
    assert "start counter steps by one" in clean.out
    other = run_command("bench", "verify", ua_map(tmp_path / "gone.yaml", {"current": "node: s=gone, unit: A"}), "--frames", record)
    assert (other.status, "this node is not in the record" in other.out) == (1, True)


def _check_proposals(ran: Ran) -> None:
    changes = {change["line"]: change for change in json.loads(ran.out)["changes"]}
    assert set(changes) == {"current_l1", "voltage"}
    assert changes["voltage"]["write"] == f'node: "nsu={PLANT};s=voltage"'
    # The node in amperes, or the one in milliamperes scaled, which gives the same; not that of the other phase.
    assert changes["current_l1"]["write"] in ("scale: 0.001", f'node: "nsu={PLANT};s=amps"')
    assert changes["current_l1"]["not_told_from"] == []


def test_a_modbus_record_is_no_opcua_record(tmp_path: Path) -> None:
    record = tmp_path / "frames.jsonl"
    record.write_text('{"format":"startledger frames 1"}\n', encoding="utf-8")
    ran = run_command("bench", "verify", ua_map(tmp_path / "map.yaml", MAP), "--frames", record)
    assert ran.status == 2
    assert "needed is startledger nodes 1" in ran.err
