"""`startledger bench propose`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, NoReturn

import typer

from gateway.bench.device import look_closer, read_map, spans_to_watch, watch_start
from gateway.bench.exchange import Exchange
from gateway.bench.frames import read_frames
from gateway.bench.propose import Proposals
from gateway.bench.propose import propose as proposed
from gateway.bench.propose_opcua import propose_opcua
from gateway.bench.requests import Intent, blocks_of
from gateway.bench.sheets import propose_sheets
from gateway.bench.timeline import timeline_of
from gateway.bench.wire import BenchWire, DeviceLostError
from gateway.cli import bench_options as options
from gateway.cli.bench_opcua import OpcuaVisit, readings
from gateway.cli.bench_options import Outputs
from gateway.cli.bench_protection import ModbusWay, OpcuaWay
from gateway.cli.option_groups import grouped
from gateway.cli.output import FINDING, GOOD, tell
from gateway.clock import RealClock
from gateway.registers.load import load_map
from gateway.registers.model import ModbusPlace, Protocol, RegisterMap

_GENTLE, _GENTLE_OPCUA = 20.0, 5.0


@grouped
def propose(
    map_file: Annotated[Path, typer.Argument(metavar="MAP", help="The register map.", show_default=False)],
    address: Annotated[str, typer.Argument(help="host[:port], or opc.tcp://...; not needed with --frames.", show_default=False)] = "",
    unit: options.UnitOption = 1,
    duration: Annotated[float, typer.Option("--for", min=1, max=86400, help="Seconds to wait for a start to end.")] = 300.0,
    flc: options.FlcOption = None,
    rate: options.RateOption = None,
    *,
    way: ModbusWay,
    protected: OpcuaWay,
    outputs: Outputs,
) -> None:
    """Read through a start, and propose the changes that make the map's signals fit each other and the motor."""
    outputs.check()
    register_map = load_map(map_file)
    flc_a = options.flc_option(flc)
    if register_map.protocol is Protocol.OPCUA:
        server = OpcuaVisit.of(address, protected, outputs, duration_s=duration, rate=rate or _GENTLE_OPCUA)
        reading = readings(register_map, server, "propose", widely=True)
        result = propose_opcua(register_map, reading.samples, reading.missing, flc_a)
        _publish(register_map, result, server.device, reading.requests, outputs)
    if outputs.frames is not None:
        device, exchanges = f"record {outputs.frames.name} unit {unit}", list(read_frames(outputs.frames, unit))
    else:
        visit = way.visit(
            address,
            unit=unit,
            rate=rate or _GENTLE,
            timeout_s=register_map.timeout_s,
            record=outputs.record,
            answers_id_zero=register_map.answers_id_zero,
        )
        options.announce(_intent(register_map, visit, duration), dry=outputs.dry_run)
        device, exchanges = visit.device, _record_start(register_map, visit, duration)
    _publish(register_map, proposed(register_map, timeline_of(exchanges), flc_a), device, len(exchanges), outputs)


def _intent(register_map: RegisterMap, visit: options.Visit, duration_s: float) -> Intent:
    spans = tuple(block.span for block in blocks_of(register_map))
    # Each block with its neighbours, its signals one by one where they do not come together, and the same in the other table.
    most = 5 * len(spans) + 2 * len(register_map.signals)
    return Intent(
        command="propose",
        requests=most,
        extra=4 * (len(spans) + len(register_map.signals)),
        extra_for="to look around each address",
        where=visit.device,
        spans=spans,
        rate=visit.rate,
        duration_s=duration_s,
    )


def _publish(register_map: RegisterMap, result: Proposals, device: str, requests: int, outputs: Outputs) -> NoReturn:
    plain = {"device": device, "map": register_map.name, **result.as_json(), "requests": requests}
    outputs.publish(plain, propose_sheets(result), f"Corrections to {register_map.name} from {device}")
    raise typer.Exit(FINDING if result.changes or result.unresolved else GOOD)


def _record_start(register_map: RegisterMap, visit: options.Visit, duration_s: float) -> list[Exchange]:
    async def work(wire: BenchWire) -> list[Exchange]:
        try:
            await read_map(wire, register_map)
            # Settings and the like are not swept: they are looked at from all sides once.
            await look_closer(
                wire, register_map, [signal.place.span for signal in register_map.signals if isinstance(signal.place, ModbusPlace)]
            )
            spans = await spans_to_watch(wire, register_map, widely=True)
            tell(f"start the motor now; requests in one sweep: {len(spans)}")
            await watch_start(wire, register_map, spans, RealClock(), duration_s=duration_s, tell=tell)
            await read_map(wire, register_map)
        except DeviceLostError as lost:
            if not wire.exchanges:
                raise
            tell(f"the record ends early: {lost}")
        return wire.exchanges

    return options.at_device(visit, work)
