"""`startledger bench verify`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from gateway.bench.device import look_closer, read_map, seen, spans_to_watch, watch_start
from gateway.bench.device_opcua import opcua_company
from gateway.bench.exchange import Exchange, fault_counts
from gateway.bench.frames import read_frames
from gateway.bench.requests import Intent, blocks_of
from gateway.bench.sheets import verify_sheets
from gateway.bench.start_checks import standing_notes, start_checks
from gateway.bench.timeline import moment_of, timeline_of
from gateway.bench.verify import Verification, doubtful_spans, verified_lines, whole_map_note
from gateway.bench.verify_opcua import opcua_lines
from gateway.bench.wire import BenchWire, DeviceLostError
from gateway.cli import bench_options as options
from gateway.cli.bench_opcua import OpcuaVisit, readings
from gateway.cli.bench_options import Outputs
from gateway.cli.bench_protection import ModbusWay, OpcuaWay
from gateway.cli.option_groups import grouped
from gateway.cli.output import FINDING, GOOD, tell
from gateway.clock import RealClock
from gateway.registers.load import load_map
from gateway.registers.model import Protocol, RegisterMap

_GENTLE, _GENTLE_WATCH = 5.0, 20.0
_LOOKS_PER_BLOCK = 5
"""Requests that a closer look at one block can take: once more, the block with its neighbours, each of them alone, the other table."""
_LOOKS_PER_SIGNAL = 5
"""Requests that a closer look at one signal can take: by itself and once more, one lower, one higher, and in the other table."""


@grouped
def verify(
    map_file: Annotated[Path, typer.Argument(metavar="MAP", help="The register map.", show_default=False)],
    address: Annotated[str, typer.Argument(help="host[:port], or opc.tcp://...; not needed with --frames.", show_default=False)] = "",
    unit: options.UnitOption = 1,
    watch: Annotated[bool, typer.Option("--watch", help="Go on reading through a start, and check what it shows.")] = False,
    duration: Annotated[float, typer.Option("--for", min=1, max=86400, help="Seconds that --watch waits for a start to end.")] = 300.0,
    flc: options.FlcOption = None,
    rate: options.RateOption = None,
    timeout: Annotated[
        float | None, typer.Option("--timeout", min=0.05, max=30, help="Seconds to wait for an answer.", show_default="the map's")
    ] = None,
    *,
    way: ModbusWay,
    protected: OpcuaWay,
    outputs: Outputs,
) -> None:
    """Read everything that a map names, and say of each signal whether it can be true, and what to try where it cannot."""
    outputs.check()
    register_map = load_map(map_file)
    flc_a = options.flc_option(flc)
    speed = rate or (_GENTLE_WATCH if watch else _GENTLE)
    if register_map.protocol is Protocol.OPCUA:
        server = OpcuaVisit.of(address, protected, outputs, duration_s=duration if watch else 0.0, rate=speed)
        result = _opcua(register_map, server, flc_a)
    elif outputs.frames is not None:
        result = _from_frames(register_map, outputs.frames, unit, watch, flc_a)
    else:
        visit = way.visit(
            address,
            unit=unit,
            rate=speed,
            timeout_s=timeout or register_map.timeout_s,
            record=outputs.record,
            answers_id_zero=register_map.answers_id_zero,
        )
        options.announce(_intent(register_map, visit, watch, duration), dry=outputs.dry_run)
        result = _modbus(register_map, visit, watch, duration, flc_a)
    outputs.publish(result.as_json(), verify_sheets(result), f"Register map {register_map.name} against {result.device}")
    raise typer.Exit(GOOD if result.is_good else FINDING)


def _intent(register_map: RegisterMap, visit: options.Visit, watch: bool, duration_s: float) -> Intent:
    spans = tuple(block.span for block in blocks_of(register_map))
    extra = len(spans) * _LOOKS_PER_BLOCK + len(register_map.signals) * _LOOKS_PER_SIGNAL
    limit = duration_s if watch else None
    return Intent(command="verify", requests=len(spans), extra=extra, where=visit.device, spans=spans, rate=visit.rate, duration_s=limit)


def _modbus(register_map: RegisterMap, visit: options.Visit, watch: bool, duration_s: float, flc_a: float | None) -> Verification:
    async def work(wire: BenchWire) -> Verification:
        notes: list[str] = []
        curious: list[Exchange] = []
        try:
            await read_map(wire, register_map)
            doubtful = doubtful_spans(register_map, moment_of(wire.exchanges), flc_a)
            if doubtful:
                before = len(wire.exchanges)
                await look_closer(wire, register_map, doubtful)
                curious = wire.exchanges[before:]
            if watch:
                spans = await spans_to_watch(wire, register_map, widely=False)
                tell("start the motor now")
                await watch_start(wire, register_map, spans, RealClock(), duration_s=duration_s, tell=tell)
                await read_map(wire, register_map)
        except DeviceLostError as lost:
            if not wire.exchanges:
                raise
            notes.append(f"not everything was read: {lost}")
        result = _judged(register_map, visit.device, wire.exchanges, watch, flc_a, notes)
        if curious:
            # What was asked beyond the map says nothing about the map's own requests.
            own = [each for each in wire.exchanges if not any(each is other for other in curious)]
            return Verification(
                map_name=result.map_name,
                device=result.device,
                lines=result.lines,
                requests=result.requests,
                faults=fault_counts(own),
                notes=result.notes,
                start=result.start,
            )
        return result

    return options.at_device(visit, work)


def _from_frames(register_map: RegisterMap, frames: Path, unit: int, watch: bool, flc_a: float | None) -> Verification:
    return _judged(register_map, f"record {frames.name} unit {unit}", list(read_frames(frames, unit)), watch, flc_a, [])


def _judged(
    register_map: RegisterMap, device: str, exchanges: list[Exchange], watch: bool, flc_a: float | None, notes: list[str]
) -> Verification:
    timeline = timeline_of(exchanges) if watch else moment_of(exchanges)
    lines = verified_lines(register_map, timeline, flc_a)
    whole = whole_map_note(register_map, timeline, flc_a)
    company = seen(register_map, timeline)
    return Verification(
        map_name=register_map.name,
        device=device,
        lines=lines,
        requests=len(exchanges),
        faults=fault_counts(exchanges),
        notes=(*notes, *([whole] if whole else []), *standing_notes(company)),
        start=start_checks(company) if watch else (),
    )


def _opcua(register_map: RegisterMap, visit: OpcuaVisit, flc_a: float | None) -> Verification:
    reading = readings(register_map, visit, "verify")
    lost = sum(signal.key in reading.missing for signal in register_map.signals)
    company = opcua_company(register_map, reading.samples, reading.missing, flc_a)
    return Verification(
        map_name=register_map.name,
        device=visit.device,
        lines=opcua_lines(register_map, reading.samples, reading.missing, flc_a),
        requests=reading.requests,
        faults={"no_node": lost} if lost else {},
        notes=standing_notes(company),
        start=start_checks(company) if visit.duration_s else (),
    )
