"""`startledger simulate` as a user has it: a process of its own, orders through its keyboard, its control and its wire."""

from __future__ import annotations

import asyncio
import json
import re
import signal
import socket
import subprocess
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import httpx
import pytest
from asyncua.client.client import Client
from asyncua.ua.uaerrors import UaStatusCodeError
from pymodbus import FramerType
from pymodbus.client import AsyncModbusTcpClient

from gateway.cli.simulate import simulate
from gateway.errors import InputError

MAPS = Path(__file__).parents[2] / "config" / "maps"
RAMP = MAPS / "ramp-pro-metered.yaml"
PANEL = MAPS / "softline-ua.yaml"
COMMAND = (sys.executable, "-c", "from gateway.cli.program import main; main()", "simulate")
_PATIENCE_S = 30.0

pytestmark = pytest.mark.plays_plc


class Running:
    """The command under way."""

    def __init__(self, process: asyncio.subprocess.Process) -> None:
        self._process = process
        self.said: list[str] = []

    async def until(self, pattern: str) -> re.Match[str]:
        """Return the match of the next line that has the pattern."""
        assert self._process.stdout is not None
        while True:
            line = await asyncio.wait_for(self._process.stdout.readline(), _PATIENCE_S)
            assert line, f"ended before {pattern!r}: {self.said}"
            self.said.append(line.decode().rstrip())
            match = re.search(pattern, self.said[-1])
            if match is not None:
                return match

    async def order(self, line: str) -> None:
        """Type one line."""
        assert self._process.stdin is not None
        self._process.stdin.write(line.encode() + b"\n")
        await self._process.stdin.drain()

    def close_keyboard(self) -> None:
        """Let the command's standard input end."""
        assert self._process.stdin is not None
        self._process.stdin.close()

    async def end(self, number: signal.Signals) -> int:
        """Send a signal, read what is left and return the exit status."""
        self._process.send_signal(number)
        return await self.ended()

    async def ended(self) -> int:
        """Wait for the end and return the exit status; a traceback fails the test."""
        out, err = await asyncio.wait_for(self._process.communicate(), _PATIENCE_S)
        self.said += out.decode().splitlines()
        assert err == b"", err.decode()
        return self._process.returncode if self._process.returncode is not None else -1


@asynccontextmanager
async def simulated(*arguments: str) -> AsyncIterator[Running]:
    """Run the command; whatever happens, it is gone afterwards."""
    pipe = asyncio.subprocess.PIPE
    process = await asyncio.create_subprocess_exec(*COMMAND, *arguments, stdin=pipe, stdout=pipe, stderr=pipe)
    try:
        yield Running(process)
    finally:
        if process.returncode is None:
            process.kill()
            await process.communicate()


@asynccontextmanager
async def plc(port: int, framer: FramerType = FramerType.SOCKET) -> AsyncIterator[AsyncModbusTcpClient]:
    client = AsyncModbusTcpClient("127.0.0.1", port=port, framer=framer, timeout=3, retries=0, reconnect_delay=0)
    assert await client.connect()
    try:
        yield client
    finally:
        client.close()
        await asyncio.sleep(0)


async def holding(client: AsyncModbusTcpClient, address: int, count: int = 1) -> list[int]:
    answer = await client.read_holding_registers(address, count=count, device_id=1)
    assert not answer.isError(), answer
    return list(answer.registers)


async def test_it_just_works(tmp_path: Path) -> None:
    truth = tmp_path / "truth.jsonl"
    async with simulated(str(RAMP), "--port", "0", "--truth", str(truth)) as running:
        port = int((await running.until(r"Modbus TCP at 127\.0\.0\.1:(\d+), unit 1"))[1])
        control = (await running.until(r"control\s+(http://127\.0\.0\.1:\d+)"))[1]
        await running.until("orders: start, stop")
        async with plc(port) as client:
            assert (await holding(client, 0))[0] & 0b11111 == 0
            await running.order("start")
            await running.until("now starting")
            bits, current = (await holding(client, 0))[0], (await holding(client, 12))[0]
            assert bits & 1
            assert current > 2000
            assert (await client.write_register(0, 1, device_id=1)).exception_code == 1
        async with httpx.AsyncClient() as http:
            status = (await http.get(f"{control}/status")).json()
            assert status["phase"] == "starting"
            answer = await http.post(f"{control}/orders", json={"order": "fault exception code 6 times 1"})
            assert answer.json()["text"] == "exception: armed"
            foreign = await http.post(f"{control}/orders", json={"order": "stop"}, headers={"origin": "http://evil.example"})
            assert foreign.status_code == 403
        async with plc(port) as client:
            assert (await client.read_holding_registers(0, count=1, device_id=1)).exception_code == 6
            await running.order("trip")
            await running.until(r"now tripped \(external\)")
            assert (await holding(client, 1))[0] == 9
        assert await running.end(signal.SIGINT) == 0
        assert running.said[-1] == "stopped"
    records = [json.loads(line) for line in truth.read_text(encoding="utf-8").splitlines()]
    assert [record["kind_of_record"] for record in records] == ["start", "event"]
    assert (records[0]["outcome"], records[0]["trip"], records[1]["what"]) == ("tripped", "external", "trip")


async def test_a_plc_starts_and_stops_the_motor() -> None:
    command = ("--command", "run=holding 100 bit 0", "--command", "reset=coil 20")
    async with simulated(str(RAMP), "--port", "0", "--accept-commands", *command, "--method", "direct_on_line", "--no-control") as running:
        port = int((await running.until(r"127\.0\.0\.1:(\d+)"))[1])
        await running.until("the PLC may write  run: holding 100 bit 0; reset: coil 20")
        async with plc(port) as client:
            # first_address of the map is 1: the manual's 100 is 99 on the wire.
            assert not (await client.write_register(99, 0b11, device_id=1)).isError()
            await running.until("the PLC ordered start")
            await running.until("now starting")
            assert await holding(client, 99) == [0b11]
            assert (await holding(client, 0))[0] & 1
            await running.order("trip")
            await running.until("now tripped")
            assert not (await client.write_coil(19, True, device_id=1)).isError()
            await running.until("the PLC ordered reset")
            await running.until("now off")
            assert not (await client.write_registers(99, [0], device_id=1)).isError()
            await running.until("the PLC ordered stop")
            assert (await client.write_register(98, 1, device_id=1)).exception_code == 2
        await running.order("quit")
        assert await running.ended() == 0


async def test_rtu_frames_and_a_wrong_check_sum() -> None:
    async with simulated(str(RAMP), "--port", "0", "--rtu", "--no-control") as running:
        port = int((await running.until(r"RTU frames over TCP at 127\.0\.0\.1:(\d+)"))[1])
        async with plc(port, FramerType.RTU) as client:
            assert len(await holding(client, 0, 2)) == 2
        await running.order("fault crc")
        await running.until("crc: until `clear crc`")
        assert await running.end(signal.SIGTERM) == 0


async def test_an_opcua_client_starts_the_motor() -> None:
    async with simulated(str(PANEL), "--port", "0", "--accept-commands", "--command", "run=s=Command.Run", "--no-control") as running:
        endpoint = (await running.until(r"(opc\.tcp://127\.0\.0\.1:\d+/)"))[1]
        await running.until("the PLC may write  run: s=Command.Run")
        async with Client(endpoint, timeout=10) as client:
            space = await client.get_namespace_index("urn:softline.example:starter")
            run = client.get_node(f"ns={space};s=Command.Run")
            await run.write_value(True)
            await running.until("the PLC ordered start")
            await running.until("now starting")
            assert await run.read_value() is True
            with pytest.raises(UaStatusCodeError):
                await client.get_node(f"ns={space};s=Motor.Current").write_value(5.0)
            await run.write_value(False)
            await running.until("the PLC ordered stop")
        await running.order("fault server_restarted")
        await running.until("server_restarted: done")
        assert await running.end(signal.SIGINT) == 0


def refused(*arguments: str) -> str:
    """Run to the end; return what is said on standard error, which must be plain words."""
    done = subprocess.run([*COMMAND, *arguments], capture_output=True, text=True, timeout=60, stdin=subprocess.DEVNULL, check=False)
    assert done.returncode == 2, done
    assert "Traceback" not in done.stderr
    return done.stderr


def test_a_taken_port_is_told() -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        said = refused(str(RAMP), "--port", str(port))
    assert f"127.0.0.1:{port}" in said
    assert "choose another with --port" in said


def test_a_map_without_current_is_told(tmp_path: Path) -> None:
    text = "map: bare\nprotocol: modbus\nsignals:\n  voltage: {at: holding 1, type: uint16, unit: V}\n"
    (tmp_path / "bare.yaml").write_text(text, encoding="utf-8")
    said = refused(str(tmp_path / "bare.yaml"))
    assert "add a signal named `current`" in said
    assert "running, starting, at_speed" in said


@pytest.mark.parametrize(
    ("path", "options", "message"),
    [
        (RAMP, {"motor": "45 kW 400 V 2000 rpm 4 poles"}, "slip"),
        (PANEL, {"rtu": True}, "OPC UA, which has no RTU frames"),
        (PANEL, {"accept_commands": True}, "name one with --command"),
        (RAMP, {"command": ["start=input 5"]}, "only coils and holding registers"),
        (RAMP, {"set_value": ["current=5"]}, "no such signal without a role"),
    ],
)
def test_wrong_options_are_told(path: Path, options: dict[str, Any], message: str) -> None:
    with pytest.raises(InputError, match=message):
        simulate(path, **options)


async def test_without_a_keyboard_it_goes_on() -> None:
    async with simulated(str(RAMP), "--port", "0") as running:
        await running.until("orders: start")
        running.close_keyboard()
        where = re.search(r"127\.0\.0\.1:(\d+)", running.said[0])
        assert where is not None
        port = int(where[1])
        async with plc(port) as client:
            assert len(await holding(client, 0)) == 1
        assert await running.end(signal.SIGTERM) == 0
