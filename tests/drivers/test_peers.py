"""The same maps and the same values through servers that are not of the project's making: two Modbus libraries and an OPC UA one.

pyModbusTCP comes with the test packages; libmodbus (package libmodbus-dev) is driven by a small C program built here; the OPC UA server
stands in `deploy/peers`. `deploy/test.sh` installs all of them.
"""

from __future__ import annotations

import asyncio
import base64
import json
import subprocess
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from cryptography import x509
from pyModbusTCP.server import DataBank
from pyModbusTCP.server import ModbusServer as PyModbusTcpServer

from gateway.clock import RealClock
from gateway.drivers.base import Attached, Poll
from gateway.drivers.modbus import ModbusLink
from gateway.drivers.opcua import OpcuaLink
from gateway.drivers.own_certificate import make_certificate
from gateway.motors.records import Pace
from gateway.registers.load import load_map
from gateway.registers.model import Fetch, ModbusPlace, OpcuaPlace, RegisterMap, Signal, Table, WordType
from gateway.registers.roles import ROLES, RoleKind
from gateway.site import OpcuaSecurity
from simulators.encoder import Encoder
from simulators.image import Image
from simulators.modbus import ModbusServer
from tests.drivers.opcua_server import free_port
from tests.read_only import RECORD

ROOT = Path(__file__).parents[2]
HERE = Path(__file__).parent / "peers"
MODULES = ROOT / "deploy" / "peers" / "node_modules"
MODBUS_MAPS = ("ramp-pro-metered", "feeder-block", "bridge-soft-start")
DIGIT = {Table.COIL: 0, Table.DISCRETE: 1, Table.INPUT: 3, Table.HOLDING: 4}
NUMBERS = {"current": 87.5, "current_l1": 86.0, "current_l2": 88.0, "current_l3": 88.5, "voltage": 401.0, "start_count": 7_041}
NUMBERS |= {"winding_temperature": 84.0, "thermal_used": 37.0, "set_ramp_time": 10.0, "set_current_limit": 350.0, "trip_code": 0}


def shown_by(signal: Signal) -> Any:
    """Return what the device holds for a signal."""
    if signal.type is WordType.TEXT:
        return "TH-00417"
    if signal.role is not None and ROLES[signal.role].kind is RoleKind.FLAG:
        return signal.role in ("running", "at_speed")
    if signal.type is WordType.UINT32 and signal.key == "start_count":
        return 70_041
    low, high = signal.plausible or (0.0, 100.0)
    return NUMBERS.get(signal.key, (low + high) / 2)


def image_of(register_map: RegisterMap) -> Image:
    image = Image(register_map)
    Encoder(register_map).write(image, {signal.key: shown_by(signal) for signal in register_map.signals})
    return image


class Device:
    """A device of the project's own simulator over an image."""

    answers, largest_block, largest_bit_block = True, 125, 2000

    def __init__(self, image: Image) -> None:
        self.read = image.read


@pytest.fixture(scope="session")
def modbus_peer(tmp_path_factory: pytest.TempPathFactory) -> Path:
    program = tmp_path_factory.mktemp("peer") / "modbus_peer"
    flags = subprocess.run(["pkg-config", "--cflags", "--libs", "libmodbus"], capture_output=True, text=True, check=False)
    assert flags.returncode == 0, "libmodbus-dev is missing: run deploy/test.sh once"
    subprocess.run(["gcc", "-Wall", "-o", program, HERE / "modbus_peer.c", *flags.stdout.split(), "-lpthread"], check=True)
    return program


@asynccontextmanager
async def own_simulator(image: Image, _: Path) -> AsyncIterator[int]:
    async with ModbusServer({1: Device(image)}) as server:
        yield server.port


class _NotingServer(PyModbusTcpServer):
    """Tells what reaches it."""

    def _engine(self, session_data: PyModbusTcpServer.SessionData) -> None:
        RECORD.note_modbus(session_data.request.mbap.unit_id, session_data.request.pdu.raw)
        super()._engine(session_data)


@asynccontextmanager
async def py_modbus_tcp(image: Image, _: Path) -> AsyncIterator[int]:
    bank, port = DataBank(), free_port()
    for (table, address), word in image.cells().items():
        match table:
            case Table.COIL:
                bank.set_coils(address, [bool(word)])
            case Table.DISCRETE:
                bank.set_discrete_inputs(address, [bool(word)])
            case Table.INPUT:
                bank.set_input_registers(address, [word])
            case Table.HOLDING:
                bank.set_holding_registers(address, [word])
    server = _NotingServer("127.0.0.1", port, no_block=True, data_bank=bank)
    server.start()
    try:
        yield port
    finally:
        server.stop()


@asynccontextmanager
async def libmodbus(image: Image, program: Path) -> AsyncIterator[int]:
    process = await asyncio.create_subprocess_exec(program, stdin=subprocess.PIPE, stdout=subprocess.PIPE)
    assert process.stdin is not None
    assert process.stdout is not None
    lines = [f"{DIGIT[table]} {address} {word}" for (table, address), word in image.cells().items()]
    process.stdin.write(("\n".join(lines) + "\n\n").encode())
    try:
        yield int(await process.stdout.readline())
    finally:
        process.stdin.close()
        told = (await process.communicate())[0].decode().split()
    assert told
    for request in map(bytes.fromhex, told):
        RECORD.note_modbus(request[6], request[7:])


PEERS = {"own simulator": own_simulator, "pyModbusTCP": py_modbus_tcp, "libmodbus": libmodbus}


async def polled(port: int, register_map: RegisterMap) -> list[Poll]:
    link = ModbusLink("127.0.0.1", port, [Attached(starter="fan", map=replace(register_map, timeout_s=10.0))], RealClock())
    assert await link.open() is None
    polls = [await link.poll("fan", pace) for pace in (Pace.SLOW, Pace.RUNNING, Pace.SLOW)]
    await link.close()
    return polls


@pytest.mark.parametrize("peer", PEERS)
@pytest.mark.parametrize("name", MODBUS_MAPS)
async def test_every_modbus_server_gives_the_same_values(name: str, peer: str, modbus_peer: Path) -> None:
    register_map = load_map(ROOT / "config" / "maps" / f"{name}.yaml")
    async with PEERS[peer](image_of(register_map), modbus_peer) as port:
        polls = await polled(port, register_map)
    assert [fault for poll in polls for fault in poll.faults] == []
    for slow in (polls[0], polls[2]):
        values = slow.readings[-1].values
        assert dict(slow.readings[-1].flaws) == {}
        assert values.keys() == {signal.key for signal in register_map.signals}
        for signal in register_map.signals:
            if signal.texts or signal.scale_from or any(other.scale_from == signal.name for other in register_map.signals):
                continue
            expected = shown_by(signal)
            step = signal.scale * signal.to_role_unit
            assert values[signal.key] == (expected if isinstance(expected, str) else pytest.approx(expected, abs=step)), signal.key


async def test_all_modbus_servers_agree_to_the_last_bit(modbus_peer: Path) -> None:
    for name in MODBUS_MAPS:
        register_map = load_map(ROOT / "config" / "maps" / f"{name}.yaml")
        found = []
        for peer in PEERS.values():
            async with peer(image_of(register_map), modbus_peer) as port:
                found.append(dict((await polled(port, register_map))[0].readings[-1].values))
        assert found[0] == found[1] == found[2]


@pytest.mark.parametrize("peer", ["pyModbusTCP", "libmodbus"])
async def test_an_address_that_is_not_there_is_refused_and_told(peer: str, modbus_peer: Path) -> None:
    register_map = load_map(ROOT / "config" / "maps" / "bridge-soft-start.yaml")
    signal = register_map.signals[0]
    assert isinstance(signal.place, ModbusPlace)
    far = replace(signal, place=replace(signal.place, span=replace(signal.place.span, first=65535, last=65535)))
    async with PEERS[peer](image_of(register_map), modbus_peer) as port:
        poll = (await polled(port, replace(register_map, signals=(far,), together=())))[0]
    if peer == "libmodbus":
        assert "illegal data address" in poll.readings[-1].flaws[signal.key].reason
    else:
        assert poll.faults == ()


TYPES = {bool: "Boolean", int: "UInt32", float: "Double", str: "String"}


def nodes_of(register_map: RegisterMap, values: Mapping[str, Any]) -> list[dict[str, Any]]:
    nodes = []
    for signal in register_map.signals:
        place, value = signal.place, values[signal.key]
        assert isinstance(place, OpcuaPlace)
        steps = [step for _, step in place.path] or ["Device", signal.name]
        nodes.append({"identifier": place.identifier, "path": steps, "type": TYPES[type(value)], "value": value})
    return nodes


@asynccontextmanager
async def opcua_peer(
    folder: Path, register_map: RegisterMap, values: Mapping[str, Any], *, is_secured: bool
) -> AsyncIterator[dict[str, str]]:
    assert MODULES.is_dir(), "the OPC UA peer is missing: run deploy/test.sh once"
    uri = next(p.namespace_uri or p.path[0][0] for s in register_map.signals if isinstance(p := s.place, OpcuaPlace))
    wanted = {"port": free_port(), "folder": str(folder), "uri": uri, "secured": is_secured, "nodes": nodes_of(register_map, values)}
    process = await asyncio.create_subprocess_exec(
        "node", HERE / "opcua_peer.cjs", stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE
    )
    assert process.stdin is not None
    assert process.stdout is not None
    assert process.stderr is not None
    process.stdin.write(json.dumps(wanted).encode() + b"\n")
    try:
        serving: dict[str, str] = {}
        while "endpoint" not in serving:
            line = await process.stdout.readline()
            assert line, (await process.stderr.read()).decode()
            if line.startswith(b"{"):
                serving = json.loads(line)
        yield {**serving, "endpoint": f"opc.tcp://127.0.0.1:{wanted['port']}"}
    finally:
        process.stdin.close()
        told = (await process.communicate())[0].splitlines()
    services = [json.loads(line)["service"] for line in told if line.startswith(b'{"service"')]
    assert "Read" in services
    for service in services:
        RECORD.note_service(service)


def opcua_values(register_map: RegisterMap) -> dict[str, Any]:
    return {
        signal.key: int(shown_by(signal))
        if signal.role is not None and ROLES[signal.role].kind in (RoleKind.COUNTER, RoleKind.CODE)
        else shown_by(signal)
        for signal in register_map.signals
    }


@pytest.mark.parametrize("is_secured", [False, True])
@pytest.mark.parametrize("fetch", list(Fetch))
async def test_an_opcua_server_of_another_make_gives_the_same_values(fetch: Fetch, is_secured: bool, tmp_path: Path) -> None:
    loaded = load_map(ROOT / "config" / "maps" / "softline-ua.yaml")
    signals = tuple(replace(each, place=replace(each.place, fetch=fetch)) for each in loaded.signals if isinstance(each.place, OpcuaPlace))
    register_map = replace(loaded, signals=signals, timeout_s=15.0)
    values = opcua_values(register_map)
    async with opcua_peer(tmp_path, register_map, values, is_secured=is_secured) as peer:
        security = None
        if is_secured:
            security = OpcuaSecurity(folder=tmp_path / "certificates", server_uri=uri_of(base64.b64decode(peer["certificate"])))
            make_certificate(security, RealClock().now())
            (security.trusted / "server.der").write_bytes(base64.b64decode(peer["certificate"]))
        link = OpcuaLink(peer["endpoint"], [Attached(starter="fan", map=register_map)], RealClock(), security)
        assert await link.open() is None
        for _ in range(3):
            poll = await link.poll("fan", Pace.SLOW)
            assert poll.faults == ()
            found = poll.readings[-1].values
            assert dict(poll.readings[-1].flaws) == {}
            for signal in signals:
                if not signal.texts:
                    factor = signal.to_role_unit * signal.scale
                    assert found[signal.key] == pytest.approx(values[signal.key] * factor), signal.key
            await asyncio.sleep(0.2)
        await link.close()


def uri_of(der: bytes) -> str:
    names = x509.load_der_x509_certificate(der).extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    uri: str = names.get_values_for_type(x509.UniformResourceIdentifier)[0]
    return uri
