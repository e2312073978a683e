"""`startledger bench probe`."""

from __future__ import annotations

import re
from typing import Annotated

import typer

from gateway.bench.probe import BLOCKS, Probe
from gateway.bench.probing import probe as probed
from gateway.bench.report import check_report_path
from gateway.bench.requests import Intent
from gateway.bench.sheets import probe_sheets
from gateway.bench.wire import BenchWire
from gateway.cli import bench_options as options
from gateway.cli.bench_protection import ModbusWay
from gateway.cli.option_groups import grouped
from gateway.cli.output import FINDING, GOOD, JsonOption
from gateway.clock import RealClock

_GENTLE = 10.0


@grouped
def probe(
    address: options.AddressArgument,
    units: Annotated[str, typer.Option("--units", help="Unit ids to ask, such as 1,2,5. Only these are asked.")] = "1",
    at: Annotated[str, typer.Option("--at", help="An address that the device has; block sizes are tried from there on.")] = "holding 0",
    first_address: options.FirstAddressOption = 0,
    round_trips: Annotated[int, typer.Option("--round-trips", min=1, max=2000, help="Requests to measure the round trip with.")] = 100,
    connections: Annotated[int, typer.Option("--connections", min=1, max=16, help="Connections to open at once, at most.")] = 4,
    rate: options.RateOption = None,
    timeout: options.TimeoutOption = 1.0,
    *,
    way: ModbusWay,
    record: options.RecordOption = None,
    report: options.ReportOption = None,
    dry_run: options.DryOption = False,
    json: JsonOption = False,
) -> None:
    """Find out which units answer, the largest block, how many connections are taken, and how fast the device may be asked."""
    check_report_path(report)
    asked = _units(units)
    span = options.span_option("--at", at, first_address)
    visit = way.visit(address, unit=asked[0], rate=rate or _GENTLE, timeout_s=timeout, record=record)
    device = f"{visit.host}:{visit.port}"
    requests = len(asked) + len(BLOCKS) + round_trips + connections
    where = f"{device} units {', '.join(map(str, asked))} over up to {connections} connections at once"
    options.announce(Intent(command="probe", requests=requests, extra=0, where=where, spans=(span,), rate=visit.rate), dry=dry_run)

    async def work(wire: BenchWire) -> Probe:
        return await probed(
            wire, RealClock(), units=asked, at=span, round_trips=round_trips, most_connections=connections, timeout_s=timeout
        )

    result = options.at_device(visit, work)
    options.publish(result.as_json(), probe_sheets(result), title=f"Probe of {device}", as_json=json, report=report)
    raise typer.Exit(GOOD if result.any_answers else FINDING)


def _units(text: str) -> list[int]:
    parts = [part.strip() for part in text.split(",") if part.strip()]
    if not parts or len(parts) > 32 or not all(re.fullmatch(r"[0-9]{1,3}", part) and int(part) < 256 for part in parts):
        raise options.wrong(
            "--units", text, "1,2,5: up to 32 ids from 1 to 247, or 255", "these are no unit ids; ranges are not scanned on purpose"
        )
    units = list(dict.fromkeys(int(part) for part in parts))
    for unit in units:
        options.check_unit("--units", unit)
    return units
