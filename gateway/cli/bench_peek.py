"""`startledger bench peek`."""

from __future__ import annotations

from typing import Annotated

import typer

from gateway.bench.device import missing_of_exchanges, scan, words_of_exchanges
from gateway.bench.exchange import Exchange
from gateway.bench.find import Wanted, wanted
from gateway.bench.frames import read_frames
from gateway.bench.peek import Peek
from gateway.bench.peek import peek as peeked
from gateway.bench.requests import Intent
from gateway.bench.sheets import peek_sheets
from gateway.bench.wire import BenchWire
from gateway.cli import bench_options as options
from gateway.cli.bench_options import Outputs
from gateway.cli.bench_protection import ModbusWay
from gateway.cli.option_groups import grouped
from gateway.cli.output import FINDING, GOOD
from gateway.registers.addresses import HIGHEST_ADDRESS
from gateway.registers.model import Span

_GENTLE = 5.0
_MOST = 100


@grouped
def peek(
    address: options.AddressArgument = "",
    at: Annotated[str, typer.Option("--at", help='Addresses, such as "holding 10-20".', show_default=False)] = "",
    unit: options.UnitOption = 1,
    expect: Annotated[str | None, typer.Option("--expect", help='Mark what gives this value, such as "42 A".', show_default=False)] = None,
    first_address: options.FirstAddressOption = 0,
    rate: options.RateOption = None,
    timeout: options.TimeoutOption = 1.0,
    *,
    way: ModbusWay,
    outputs: Outputs,
) -> None:
    """Show one block of registers in every type and order side by side, with one address more before and after it."""
    outputs.check()
    span = options.span_option("--at", at, first_address)
    if span.count > _MOST:
        raise options.wrong("--at", at, f"up to {_MOST} addresses", "that is too much to look at: use find, or several peeks")
    value = wanted_option("--expect", expect)
    wide = Span(span.table, max(0, span.first - 1), min(HIGHEST_ADDRESS, span.last + 1))
    if outputs.frames is not None:
        device, exchanges = f"record {outputs.frames.name} unit {unit}", list(read_frames(outputs.frames, unit))
    else:
        visit = way.visit(address, unit=unit, rate=rate or _GENTLE, timeout_s=timeout, record=outputs.record)
        intent = Intent(
            command="peek",
            requests=1,
            extra=2 * wide.count,
            extra_for="where addresses are missing",
            where=visit.device,
            spans=(wide,),
            rate=visit.rate,
        )
        options.announce(intent, dry=outputs.dry_run)
        device, exchanges = visit.device, _read(visit, wide)
    result = _peeked(span, exchanges, value)
    sheets = peek_sheets(result, "" if value is None else value.text)
    plain = {"device": device, **result.as_json(), "requests": len(exchanges)}
    outputs.publish(plain, sheets, f"{at} of {device}")
    raise typer.Exit(GOOD if result.rows else FINDING)


def _read(visit: options.Visit, wide: Span) -> list[Exchange]:
    async def work(wire: BenchWire) -> list[Exchange]:
        await scan(wire, [wide], _MOST + 2)
        return wire.exchanges

    return options.at_device(visit, work)


def _peeked(span: Span, exchanges: list[Exchange], value: Wanted | None) -> Peek:
    words = {at: word for (table, at), word in words_of_exchanges(exchanges).items() if table is span.table}
    missing = {at: why for (table, at), why in missing_of_exchanges(exchanges).items() if table is span.table}
    return peeked(span, words, missing, value)


def wanted_option(option: str, text: str | None, within: float = 0.02) -> Wanted | None:
    """Return the value that an option names; InputError when it is none."""
    if text is None:
        return None
    try:
        return wanted(text, within)
    except ValueError as error:
        raise options.wrong(option, text, '"42 A", "400", "0.87"', str(error)) from error
