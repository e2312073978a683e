"""`startledger bench find`."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Any

import typer

from gateway.bench.device import scan, words_of_exchanges
from gateway.bench.exchange import Exchange, fault_counts
from gateway.bench.find import Match, Wanted, matches, still_matching, units_agree, wanted
from gateway.bench.find_state import Kept, read_kept, spans_of, write_kept
from gateway.bench.frames import read_frames
from gateway.bench.requests import Intent, pieces
from gateway.bench.sheets import find_sheets
from gateway.bench.wire import BenchWire
from gateway.cli import bench_options as options
from gateway.cli.bench_options import Outputs
from gateway.cli.bench_peek import wanted_option
from gateway.cli.bench_protection import ModbusWay
from gateway.cli.option_groups import grouped
from gateway.cli.output import FINDING, GOOD, tell
from gateway.errors import InputError, Problem
from gateway.registers.model import Span, Table

_GENTLE = 5.0
_MOST = 20_000
_NAME = re.compile(r"[A-Za-z][A-Za-z0-9_]{0,59}")


@grouped
def find(
    address: options.AddressArgument = "",
    value: Annotated[str, typer.Option("--value", help='What the display shows now, such as "42 A".', show_default=False)] = "",
    within: Annotated[
        list[str] | None, typer.Option("--in", help='Addresses to look in, such as "holding 0-200".', show_default=False)
    ] = None,
    keep: Annotated[Path | None, typer.Option("--keep", help="Keep the matches in this file; a later run narrows them down.")] = None,
    name: Annotated[str, typer.Option("--name", help="Name for the map line.")] = "found",
    tolerance: Annotated[float, typer.Option("--tolerance", min=0, max=50, help="Percent that the value may be off.")] = 2.0,
    unit: options.UnitOption = 1,
    block: Annotated[int, typer.Option("--block", min=1, max=125, help="Registers in one request at most.")] = 50,
    first_address: options.FirstAddressOption = 0,
    rate: options.RateOption = None,
    timeout: options.TimeoutOption = 1.0,
    *,
    way: ModbusWay,
    outputs: Outputs,
) -> None:
    """List every address, type, order and scale that gives a value you can see on the device; a second value narrows it down."""
    outputs.check()
    sought = wanted_option("--value", value, tolerance / 100) or wanted(value)
    if not _NAME.fullmatch(name):
        raise options.wrong("--name", name, "letters, digits and _", "this cannot be a signal's name")
    kept = None if keep is None else read_kept(keep)
    spans = _spans(within, first_address, kept, block)
    if outputs.frames is not None:
        device = f"record {outputs.frames.name}"
        _check_kept(keep, kept, device, unit, sought)
        exchanges = list(read_frames(outputs.frames, unit))
    else:
        visit = way.visit(address, unit=unit, rate=rate or _GENTLE, timeout_s=timeout, record=outputs.record)
        device = f"{visit.host}:{visit.port}"
        _check_kept(keep, kept, device, unit, sought)
        exchanges = _scanned(visit, spans, block, outputs.dry_run)
    allowed = {(span.table, at) for span in spans for at in range(span.first, span.last + 1)}
    words = {place: word for place, word in words_of_exchanges(exchanges).items() if place in allowed}
    found = matches(words, sought) if kept is None else still_matching(kept.matches, words, sought)
    if keep is not None:
        values = (*(kept.values if kept is not None else ()), sought.text)
        write_kept(keep, Kept(device=device, unit=unit, values=values, matches=tuple(found)))
    seen = {"addresses_read": len(words), "requests": len(exchanges), "faults": fault_counts(exchanges)}
    plain = {"device": device, "unit": unit, **_found(found, sought, name), **seen}
    outputs.publish(plain, find_sheets(found, sought, name), f"Where {sought.text} stands in {device}")
    if keep is not None and found:
        tell(f"{len(found)} ways to read it are kept in {keep}; run again with another value to narrow them down")
    raise typer.Exit(GOOD if found else FINDING)


def _found(found: Sequence[Match], sought: Wanted, name: str) -> dict[str, Any]:
    lines = [{**match.as_json(), "line": match.line(name, sought.unit)} for match in found]
    return {"value": sought.text, "tolerance": sought.tolerance, "matches": lines}


def _spans(within: list[str] | None, first_address: int, kept: Kept | None, block: int) -> list[Span]:
    if kept is not None:
        return [Span(Table(table), first, last) for first, last, table in spans_of(kept.matches, block)]
    if not within:
        raise options.wrong("--in", "nothing", '--in "holding 0-200"', "say which addresses may be read: some devices dislike others")
    spans = [options.span_option("--in", text, first_address) for text in within]
    for text, span in zip(within, spans, strict=True):
        if span.table.holds_bits:
            raise options.wrong("--in", text, "holding or input registers", "a value stands in registers, not in bits")
    if sum(span.count for span in spans) > _MOST:
        raise options.wrong("--in", ", ".join(within), f"up to {_MOST} addresses in all", "that is too much at once")
    return spans


def _check_kept(keep: Path | None, kept: Kept | None, device: str, unit: int, sought: Wanted) -> None:
    if kept is None or keep is None:
        return
    if (kept.device, kept.unit) != (device, unit):
        message = f"it holds matches of {kept.device} unit {kept.unit}: name another file, or remove it"
        raise InputError([Problem(file=str(keep), field="--keep", found=f"{device} unit {unit}", message=message)])
    earlier = kept.values[-1].partition(" ")[2] if kept.values else sought.unit
    if not units_agree(earlier, sought.unit):
        message = f"the value before was in {earlier or 'no unit'}: give this one in the same"
        raise InputError([Problem(file=str(keep), field="--value", found=sought.text, message=message)])


def _scanned(visit: options.Visit, spans: list[Span], block: int, dry: bool) -> list[Exchange]:
    count = sum(span.count for span in spans)
    requests = sum(len(pieces(span, block)) for span in spans)
    # Where addresses are missing, each request is halved down to them.
    intent = Intent(
        command="find",
        requests=requests,
        extra=2 * count,
        extra_for="where addresses are missing",
        where=visit.device,
        spans=tuple(spans),
        rate=visit.rate,
    )
    options.announce(intent, dry=dry)

    async def work(wire: BenchWire) -> list[Exchange]:
        await scan(wire, spans, block, tell)
        return wire.exchanges

    return options.at_device(visit, work)
