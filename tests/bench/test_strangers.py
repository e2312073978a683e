"""Devices made at random by code that shares nothing with the bench: how often it flags a planted mistake, and names the right change.

What is asserted is what must always hold, and for the rest a share: some mistakes no physics shows (a counter read with its bytes swapped,
hours scaled by ten). The slow form prints the shares.
"""

from __future__ import annotations

import sys
from collections import Counter
from pathlib import Path

import pytest
from pyModbusTCP.server import DataBank, ModbusServer

from gateway.bench.find import distinct, matches, still_matching, wanted
from gateway.bench.peek import peek
from gateway.bench.probing import probe
from gateway.bench.wire import BenchWire
from gateway.clock import RealClock
from gateway.errors import InputError
from gateway.registers.model import Span, Table
from tests.bench.bare_server import BareServer, bare
from tests.bench.live import startledger
from tests.bench.stranger_visits import alike, expected_entries, meant, proposed, reads_right, scanned, verified, wrong_map
from tests.bench.strangers import HOLDING, Mistake, Stranger, mistakes, stranger

WHOLE = {"shift": "first_address: ", "words": "word_order", "table": " instead of "}
SHORT = range(2000, 2003)
LONG = range(2003, 2043)


def _right(device: Stranger) -> Mistake:
    return Mistake("none", "none", device.lines, (), device.first_address)


@pytest.mark.parametrize(("seed", "is_small"), [(5000, True), (5001, False), (5010, True)])
async def test_right_maps_are_left_alone_at_rest_and_running(tmp_path: Path, seed: int, is_small: bool) -> None:
    device = stranger(seed, is_small=is_small)
    right = wrong_map(device, _right(device), tmp_path)
    for at_s in (2.0, 60.0):
        lines, note = await verified(device, right, at_s)
        assert not note
        assert {name: (each.shown, each.hint) for name, each in lines.items() if each.verdict.value in ("wrong", "unreadable")} == {}
        for line in device.lines:
            true = device.motor.values(at_s)[line.name]
            assert lines[line.name].value == pytest.approx(true, abs=0.51 * line.scale + 1e-5 * abs(true)), line
    found = await proposed(device, right)
    assert found.changes == ()
    assert found.starts_seen == 1


async def _tried(device: Stranger, mistake: Mistake, folder: Path, told: Counter[str], *, proposes: bool = True) -> None:
    """Count what the bench says of one mistake; nothing beside the mistake may be called wrong."""
    true, wrong = ({line.name: line for line in lines} for lines in (device.lines, mistake.lines))
    seen = [name for name in mistake.names if not alike(meant(device, true[name], 60.0), meant(device, wrong[name], 60.0))]
    what = f"{mistake.where} {mistake.kind}"
    if not seen:
        return
    try:
        register_map = wrong_map(device, mistake, folder)
    except InputError:
        told[f"{what}: refused by the loader"] += 1
        return
    told[f"{what}: tried"] += 1
    lines, note = await verified(device, register_map, 60.0)
    beside = [name for name, each in lines.items() if name not in mistake.names and each.verdict.value in ("wrong", "unreadable")]
    assert beside == [], (what, mistake.names, beside)
    told[f"{what}: flagged"] += any(lines[name].verdict.value != "plausible" for name in seen)
    hinted = any(entry in lines[name].hint for name in seen for entry in expected_entries(true[name], wrong[name]))
    told[f"{what}: hint"] += hinted if mistake.where == "line" else WHOLE[mistake.kind] in note or (hinted and len(seen) < 3)
    if proposes:
        found = await proposed(device, register_map)
        right = all(reads_right(device, true[name], found.corrected[name]) for name in mistake.names)
        told[f"{what}: first proposal"] += right and bool(found.changes) and bool(set(found.changes[0].signals) & set(mistake.names))
        told["changes beside the mistake"] += sum(not set(change.signals) & set(mistake.names) for change in found.changes)


async def test_mistakes_of_a_whole_map_are_named(tmp_path: Path) -> None:
    told: Counter[str] = Counter()
    for seed in SHORT:
        device = stranger(seed)
        for mistake in [each for each in mistakes(device) if each.where == "map"]:
            await _tried(device, mistake, tmp_path, told, proposes=mistake.kind == "shift")
    for what in {name.partition(":")[0] for name in told if name.startswith("map")}:
        assert told[f"{what}: flagged"] == told[f"{what}: hint"] == told[f"{what}: tried"], told
    assert told["map shift: first proposal"] == told["map shift: tried"] > 0
    assert told["changes beside the mistake"] == 0


@pytest.mark.slow
@pytest.mark.timeout(900)
async def test_many_mistakes_of_many_strangers(tmp_path: Path) -> None:
    told: Counter[str] = Counter()
    for seed in LONG:
        device = stranger(seed)
        for mistake in mistakes(device):
            await _tried(device, mistake, tmp_path, told)
    sys.stdout.write("\n".join(f"{name}: {count}" for name, count in sorted(told.items())) + "\n")
    least = {"map shift": 0.95, "map words": 0.95, "map table": 0.95, "line words": 0.95, "line type": 0.95, "line table": 0.85}
    least |= {"line shift": 0.85, "line scale": 0.6, "line bytes": 0.6}
    for what, share in least.items():
        for result in ("flagged", "hint", "first proposal"):
            assert told[f"{what}: {result}"] >= share * told[f"{what}: tried"], (what, result, told)
    assert told["changes beside the mistake"] <= 0.02 * sum(count for name, count in told.items() if name.endswith(": tried"))


@pytest.mark.parametrize("seed", range(5100, 5104))
async def test_find_and_peek_have_the_true_reading_among_theirs(seed: int) -> None:
    device = stranger(seed)
    first, second = await scanned(device, 60.0), await scanned(device, 7.0)
    for line in [each for each in device.lines if each.bit is None and each.name.startswith("current")]:
        now, then = (device.motor.values(at_s)[line.name] for at_s in (60.0, 7.0))
        # The display shows three digits and rounds as the device does.
        one, two = (wanted(f"{line.value(line.words(value)):.3g} A") for value in (now, then))
        found = matches(first, one)
        narrowed = still_matching(found, second, two)
        true = [match for match in narrowed if match.table.value == line.table and match.first == line.first]
        assert any(match.form.type.value == line.type and alike(float(f"1e{match.power}"), line.scale) for match in true), line
        assert len(distinct(narrowed)) <= 12 or abs(now - then) < 0.1 * now, (line, len(distinct(narrowed)))
        span = Span(Table(line.table), line.first, line.first + line.count - 1)
        words = {at: word for (table, at), word in first.items() if table is span.table}
        row = next(row for row in peek(span, words, {}, one).rows if row.address == line.first)
        fits = [cell for cell in row.cells if cell.fits is not None and cell.form.type.value == line.type]
        assert any(alike(10.0 ** (cell.fits or 0), line.scale) for cell in fits), line


@pytest.mark.parametrize(("most_words", "largest", "most_connections"), [(125, 125, 2), (60, 50, 3), (10, 10, 1)])
async def test_probe_finds_the_limits(most_words: int, largest: int, most_connections: int) -> None:
    def answer(unit: int, function: int, first: int, count: int) -> list[int] | int | None:
        return {1: [7] * count, 5: 11, 9: 2}.get(
            unit
        )  # type of answer by unit: words, a bridge without its device, a device without the address

    async with bare(BareServer(answer, most_words=most_words, most_connections=most_connections)) as server:
        wire = BenchWire("127.0.0.1", server.port, 1, RealClock(), rate=200, timeout_s=0.05)
        found = await probe(
            wire, RealClock(), units=[1, 5, 7, 9], at=Span(Table.HOLDING, 0, 0), round_trips=5, most_connections=4, timeout_s=0.2
        )
        await wire.close()
    assert {each.unit: each.answers for each in found.units} == {1: True, 5: False, 7: False, 9: True}
    assert found.largest_block == largest
    assert (found.connections, found.connections_refused) == (most_connections, True)
    assert found.pace is not None and 0 < found.pace.safe_period_s < 1


async def test_a_stranger_on_a_server_of_another_make(tmp_path: Path, unused_tcp_port: int) -> None:
    device = stranger(2100)
    bank = DataBank(h_regs_size=1200, i_regs_size=1200)
    for (table, address), word in device.image(60.0).items():
        setter = bank.set_holding_registers if table == HOLDING else bank.set_input_registers
        assert setter(address, [word])
    server = ModbusServer("127.0.0.1", unused_tcp_port, no_block=True, data_bank=bank)
    server.start()
    path = tmp_path / "stranger.yaml"
    try:
        for mistake, status in ((_right(device), 0), (next(each for each in mistakes(device) if each.kind == "shift"), 1)):
            path.write_text(mistake.map_text(device), encoding="utf-8")
            ran = await startledger("bench", "verify", path, f"127.0.0.1:{unused_tcp_port}", "--rate", 200)
            assert ran.status == status, ran.out
        assert f"first_address: {device.first_address}" in ran.out
    finally:
        server.stop()
