"""What the bench commands share: address, options, the visit to the device, and how results are printed, recorded and reported."""

from __future__ import annotations

import asyncio
import os
import re
import ssl
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, TypeVar

import typer
from rich.console import Console
from rich.table import Table as RichTable

from gateway.bench.frames import Recorder
from gateway.bench.report import check_report_path, write_report
from gateway.bench.requests import Intent
from gateway.bench.sheets import MARKED, Sheet
from gateway.bench.wire import BenchWire, DeviceLostError
from gateway.cli.output import GOOD, WRONG_INPUT, JsonOption, show, tell
from gateway.clock import RealClock
from gateway.drivers.base import Fault
from gateway.drivers.tls import client_context
from gateway.errors import InputError, Problem
from gateway.registers.addresses import parse_span
from gateway.registers.model import Span
from gateway.registers.quantities import parse_quantity
from gateway.site import Framing, TlsFiles

MODBUS_PORT, SECURED_PORT = 502, 802
_HOST = re.compile(r"\[([0-9A-Fa-f:.%a-z]+)\]|([A-Za-z0-9](?:[A-Za-z0-9._-]{0,250}[A-Za-z0-9])?)")

AddressArgument = Annotated[str, typer.Argument(metavar="ADDRESS", help="host, host:port (502 by default).", show_default=False)]
UnitOption = Annotated[int, typer.Option("--unit", help="Unit id of the device, 1 to 247, or 255.")]
RateOption = Annotated[float | None, typer.Option("--rate", min=0.1, max=200, help="Requests a second at most.", show_default="gentle")]
TimeoutOption = Annotated[float, typer.Option("--timeout", min=0.05, max=30, help="Seconds to wait for an answer.")]
RecordOption = Annotated[Path | None, typer.Option("--record", help="Keep every frame in this new file (JSON lines).", show_default=False)]
FramesOption = Annotated[Path | None, typer.Option("--frames", help="Use a record instead of a device.", show_default=False)]
ReportOption = Annotated[Path | None, typer.Option("--report", help="Write the result to this .html or .json file.", show_default=False)]
DryOption = Annotated[bool, typer.Option("--dry-run", help="Only say what would be sent.")]
FirstAddressOption = Annotated[int, typer.Option("--first-address", min=0, max=1, help="How the plain numbers of addresses count.")]
FlcOption = Annotated[str | None, typer.Option("--flc", help='Full-load current of the motor, such as "82 A".', show_default=False)]

_WHOLE = ("signal", "address", "on the wire", "line", "check", "verdict")
"""Columns that are never folded: one searches for their words."""
_WIDEST = 500

Result = TypeVar("Result")


@dataclass(frozen=True, slots=True, kw_only=True)
class Outputs:
    """Where the words of a visit come from or go, and how the result is given."""

    record: RecordOption = None
    frames: FramesOption = None
    report: ReportOption = None
    dry_run: DryOption = False
    json: JsonOption = False

    def check(self) -> None:
        """Raise InputError when options exclude each other or the report cannot be written, before anything is sent."""
        check_report_path(self.report)
        if self.record is not None and self.frames is not None:
            allowed, message = "one of the two", "a replay from --frames sends nothing that could be recorded"
            raise wrong("--record", str(self.record), allowed, message)

    def publish(self, result: dict[str, Any], sheets: Sequence[Sheet], title: str) -> None:
        """Print a result, and write the report when one is wanted."""
        publish(result, sheets, title=title, as_json=self.json, report=self.report)


@dataclass(frozen=True, slots=True, kw_only=True)
class Visit:
    """How a Modbus device is visited."""

    host: str
    port: int
    unit: int = 1
    rate: float = 5.0
    timeout_s: float = 1.0
    framing: Framing = Framing.TCP
    answers_id_zero: bool = False
    record: Path | None = None
    tls: TlsFiles | None = None

    def __post_init__(self) -> None:
        check_unit("--unit", self.unit)

    @property
    def device(self) -> str:
        """Address and unit as shown."""
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"{host}:{self.port} unit {self.unit}"


def host_and_port(text: str, tls: TlsFiles | None = None) -> tuple[str, int]:
    """Return host and port of a Modbus address; InputError when it is none.

    >>> host_and_port("10.0.0.5"), host_and_port("starter.local:1502"), host_and_port("[fe80::1]:502")
    (('10.0.0.5', 502), ('starter.local', 1502), ('fe80::1', 502))
    """
    plain = text.strip()
    match = re.fullmatch(rf"(?:{_HOST.pattern})(?::([0-9]{{1,5}}))?", plain)
    if match is None or not 0 < int(match[3] or 1) < 65536:
        is_opcua = plain.startswith("opc.tcp:")
        other = "this is no address of a Modbus device" if plain else "the address of the device is missing"
        message = "an OPC UA endpoint does not fit here: the map is for Modbus" if is_opcua else other
        raise wrong("ADDRESS", text, "10.0.0.5, 10.0.0.5:502, starter.local, [fe80::1]:502", message)
    return match[1] or match[2], int(match[3] or (MODBUS_PORT if tls is None else SECURED_PORT))


def check_unit(option: str, unit: int) -> None:
    """Raise InputError for a unit id that no device has (Modbus over Serial Line V1.02, 2.2)."""
    if not 1 <= unit <= 247 and unit != 255:
        reason = "unit 0 means every device at once (broadcast)" if unit == 0 else "no device has this unit id"
        raise wrong(option, str(unit), "1 to 247, or 255 for a device with its own connection", reason)


def wrong(option: str, found: str, allowed: str, message: str) -> InputError:
    """Return the error for something wrong on the command line."""
    return InputError([Problem(file="command line", field=option, found=found[:120], allowed=allowed, message=message)])


def is_opcua(address: str) -> bool:
    """True for an OPC UA endpoint."""
    return address.strip().lower().startswith("opc.tcp://")


def span_option(option: str, text: str, first_address: int) -> Span:
    """Return the addresses that an option names; InputError when it names none."""
    try:
        return parse_span(text, first_address)[0]
    except ValueError as error:
        raise wrong(option, text, '"holding 10-20", "input 0x0010-0x001F"', str(error)) from error


def flc_option(text: str | None) -> float | None:
    """Return the full-load current [A]; InputError when it is none."""
    if text is None:
        return None
    try:
        return parse_quantity(text, "A")
    except ValueError as error:
        raise wrong("--flc", text, "82 A", str(error)) from error


def tls_context(files: TlsFiles | None) -> ssl.SSLContext | None:
    """Return the settings of an encrypted connection; InputError when a file cannot be used."""
    if files is None:
        return None
    context = client_context(files)
    if isinstance(context, Fault):
        raise InputError([Problem(file="command line", field="--tls-trust", message=context.text)])
    return context


def announce(intent: Intent, *, dry: bool) -> None:
    """Say what is about to be sent; with `dry` end there."""
    tell(intent.sentences())
    if dry:
        raise typer.Exit(GOOD)


def at_device(visit: Visit, work: Callable[[BenchWire], Awaitable[Result]]) -> Result:
    """Visit a device and return what the work brings; a device that cannot be reached ends the command with its reason and status 2."""

    context = tls_context(visit.tls)

    async def run() -> Result:
        recorder = Recorder(visit.record) if visit.record is not None else None
        wire = BenchWire(
            visit.host,
            visit.port,
            visit.unit,
            RealClock(),
            timeout_s=visit.timeout_s,
            rate=visit.rate,
            framing=visit.framing,
            answers_id_zero=visit.answers_id_zero,
            keep=None if recorder is None else recorder.keep,
            tls=context,
            tls_name="" if visit.tls is None else visit.tls.name,
        )
        try:
            return await work(wire)
        finally:
            await wire.close()
            if recorder is not None:
                recorder.close()

    return ended(run)


def ended(run: Callable[[], Awaitable[Result]]) -> Result:
    """Run to the end and return what it brings; a device that cannot be reached ends the command."""

    async def whole() -> Result:
        return await run()

    try:
        return asyncio.run(whole())
    except DeviceLostError as lost:
        tell(str(lost))
        raise typer.Exit(WRONG_INPUT) from None


def publish(
    result: dict[str, Any], sheets: Sequence[Sheet], *, title: str, as_json: bool, report: Path | None, facts: Sequence[str] = ()
) -> None:
    """Print a result, and write the report when one is wanted."""
    show(result, as_json, lambda console, _: print_sheets(console, sheets))
    if report is not None:
        write_report(report, title, RealClock().now(), facts, sheets, result)
        tell(f"report written to {report}")


def print_sheets(console: Console, sheets: Sequence[Sheet]) -> None:
    """Print tables with their notes."""
    # A file or a pipe has no width: there no cell is folded.
    is_bounded = console.is_terminal or "COLUMNS" in os.environ
    roomy = console if is_bounded else Console(file=console.file, width=_WIDEST, highlight=False, markup=False)
    for number, sheet in enumerate(sheets):
        if number:
            console.print()
        console.print(sheet.title, style="bold")
        for text in sheet.before:
            console.print(text)
        if sheet.rows:
            table = RichTable(box=None, pad_edge=False, header_style="bold", padding=(0, 2, 0, 0))
            for head in sheet.heads:
                table.add_column(head, overflow="fold", no_wrap=head in _WHOLE)
            for row in sheet.rows:
                table.add_row(*row, style="bold" if MARKED.intersection(row) else None)
            roomy.print(table)
        for text in sheet.after:
            console.print(text)
        if sheet.pasted:
            console.print("for the map:")
            for text in sheet.pasted:
                console.print(f"  {text}")
