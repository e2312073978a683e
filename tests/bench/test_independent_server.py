"""The bench against a Modbus server that shares no code with this project or its library: pyModbusTCP, a test dependency from PyPI."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from pyModbusTCP.server import DataBank, ModbusServer

from gateway.bench.corrections import Correction
from gateway.registers.model import Table
from tests.bench.live import startledger, write_map
from tests.bench.rig import device, shipped

RAMP = shipped("ramp-pro-metered")
FEEDER = shipped("feeder-block")


@dataclass
class Independent:
    """The server with its bank of words."""

    address: str
    bank: DataBank


@pytest.fixture
def independent(unused_tcp_port: int) -> Iterator[Independent]:
    bank = DataBank(coils_size=200, d_inputs_size=200, h_regs_size=200, i_regs_size=200)
    server = ModbusServer("127.0.0.1", unused_tcp_port, no_block=True, data_bank=bank)
    server.start()
    try:
        yield Independent(f"127.0.0.1:{unused_tcp_port}", bank)
    finally:
        server.stop()


def fill(bank: DataBank, name: str, at_s: float = 30.0) -> dict[str, object]:
    """Put the words of a simulated device at some moment into the bank; return what the device means by them."""
    starter = device(shipped(name), starts_at_s=1.0)
    starter.advance_to(at_s)
    setters = {
        Table.HOLDING: bank.set_holding_registers,
        Table.INPUT: bank.set_input_registers,
        Table.COIL: bank.set_coils,
        Table.DISCRETE: bank.set_discrete_inputs,
    }
    for (table, address), word in starter.image().cells().items():
        assert setters[table](address, [bool(word) if table.holds_bits else word])
    return dict(starter.values())


@pytest.mark.parametrize("name", ["ramp-pro-metered", "feeder-block", "bridge-soft-start"])
async def test_the_same_map_reads_the_same_values(independent: Independent, tmp_path: Path, name: str) -> None:
    meant = fill(independent.bank, name)
    path = write_map(tmp_path / "map.yaml", shipped(name))
    ran = await startledger("bench", "verify", path, independent.address, "--rate", 200, "--json")
    assert ran.status == 0, ran.err
    lines = {line["signal"]: line for line in json.loads(ran.out)["signals"]}
    compared = 0
    for signal in shipped(name).signals:
        true, shown = meant.get(signal.key), lines[signal.name]["value"]
        if isinstance(true, bool) or isinstance(true, str):
            assert shown == true, signal.name
        elif isinstance(true, (int, float)) and signal.scale_from is None:
            step = signal.scale * signal.to_role_unit
            assert shown * signal.to_role_unit == pytest.approx(true, abs=max(0.51 * step, 1e-4 * abs(true))), signal.name
        compared += 1
    assert compared == len(shipped(name).signals)


async def test_wrong_lines_get_the_right_hints(independent: Independent, tmp_path: Path) -> None:
    fill(independent.bank, "ramp-pro-metered")
    mistakes = {
        "power": Correction(turn_words=True),
        "current": Correction(shift=-1),
        "voltage": Correction(power=1),
        "current_l3": Correction(other_table=True),
    }
    path = write_map(tmp_path / "wrong.yaml", RAMP, mistakes)
    ran = await startledger("bench", "verify", path, independent.address, "--rate", 200, "--json")
    lines = {line["signal"]: line for line in json.loads(ran.out)["signals"]}
    assert ran.status == 1
    assert "word_order: low_first" in lines["power"]["hint"]
    assert "at: holding 0x000C" in lines["current"]["hint"]
    assert "scale: 0.1" in lines["voltage"]["hint"]
    # This server answers both tables, the other one with zeros.
    assert "at: holding 0x000F" in lines["current_l3"]["hint"]
    assert {name for name, line in lines.items() if line["verdict"] in ("wrong", "unreadable")} <= set(mistakes)


async def test_find_and_peek_see_what_the_bank_holds(independent: Independent) -> None:
    independent.bank.set_holding_registers(40, [0x0000, 0x4228])
    found = await startledger(
        "bench", "find", independent.address, "--value", "42 A", "--in", "holding 0-99", "--rate", 200, "--tolerance", 0.1
    )
    assert found.status == 0
    assert "found: {at: holding 0x0028, type: float32, word_order: low_first, unit: A}" in found.out
    seen = await startledger("bench", "peek", independent.address, "--at", "holding 40-41", "--expect", "42 A")
    assert "42 <- fits 42 A" in seen.out


async def test_probe_measures_it(independent: Independent) -> None:
    ran = await startledger("bench", "probe", independent.address, "--round-trips", 20, "--rate", 200, "--connections", 3, "--json")
    result = json.loads(ran.out)
    assert result["largest_block"] == 125
    assert result["connections"]["open_at_once"] == 3
    await asyncio.sleep(0)
