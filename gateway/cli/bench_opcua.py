"""What the bench commands share on OPC UA: the visit to the server or the record instead of it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import typer

from gateway.bench.device_opcua import OpcuaReading, browse, read_nodes
from gateway.bench.node_record import NodeRecorder, read_nodes_record
from gateway.bench.verify_opcua import node_text
from gateway.cli import bench_options as options
from gateway.cli.bench_protection import OpcuaWay, protection_text
from gateway.cli.output import GOOD, tell
from gateway.clock import RealClock
from gateway.registers.model import OpcuaPlace, RegisterMap
from gateway.site import OpcuaSecurity

_MOST_BROWSED, _MOST_BESIDE = 2000, 200


@dataclass(frozen=True, slots=True, kw_only=True)
class OpcuaVisit:
    """How an OPC UA server is visited, or which record stands for it. duration_s: 0 reads once."""

    endpoint: str
    security: OpcuaSecurity | None = None
    duration_s: float = 0.0
    rate: float = 5.0
    record: Path | None = None
    frames: Path | None = None
    dry: bool = False

    @classmethod
    def of(cls, endpoint: str, protected: OpcuaWay, outputs: options.Outputs, *, duration_s: float, rate: float) -> OpcuaVisit:
        """Return the visit that the options ask for; InputError when they do not fit together."""
        return cls(
            endpoint=endpoint,
            security=protected.protection(),
            duration_s=duration_s,
            rate=rate,
            record=outputs.record,
            frames=outputs.frames,
            dry=outputs.dry_run,
        )

    @property
    def device(self) -> str:
        """The server as shown."""
        return self.endpoint if self.frames is None else f"record {self.frames.name}"


def readings(register_map: RegisterMap, visit: OpcuaVisit, command: str, *, widely: bool = False) -> OpcuaReading:
    """Return what the nodes of a map held, once or through a start; `widely` also the server's other variables."""
    if visit.frames is not None:
        samples, missing = read_nodes_record(visit.frames, register_map)
        return OpcuaReading(samples, missing, 0)
    if not options.is_opcua(visit.endpoint):
        raise options.wrong("ADDRESS", visit.endpoint or "nothing", "opc.tcp://host:port/path", "the map is for OPC UA: name an endpoint")
    many = f"up to {visit.rate:g} Read requests a second for up to {visit.duration_s:g} s" if visit.duration_s else "a Read request"
    nodes = f"{len(register_map.signals)} nodes" + (f" and up to {_MOST_BESIDE} of the server's others, browsed first," if widely else "")
    tell(f"{command} sends {many} for {nodes} to {visit.endpoint}, {protection_text(visit.security)}. Nothing is written.")
    if visit.dry:
        raise typer.Exit(GOOD)

    async def run() -> OpcuaReading:
        clock = RealClock()
        recorder = None if visit.record is None else NodeRecorder(visit.record)
        try:
            beside = await _others(register_map, visit) if widely else []
            if visit.duration_s:
                tell("start the motor now")
            reading = await read_nodes(
                visit.endpoint,
                register_map,
                clock,
                security=visit.security,
                duration_s=visit.duration_s,
                rate=visit.rate,
                tell=tell,
                beside=beside,
                keep=(lambda sample: None) if recorder is None else recorder.keep,
            )
            if recorder is not None:
                recorder.keep_missing(reading.missing)
            return reading
        finally:
            if recorder is not None:
                recorder.close()

    return options.ended(run)


async def _others(register_map: RegisterMap, visit: OpcuaVisit) -> list[OpcuaPlace]:
    """Return the server's other variables that hold a single number or bit: a wrong node can only be one of these."""
    found, _, is_cut = await browse(
        visit.endpoint, RealClock(), most_nodes=_MOST_BROWSED, timeout_s=register_map.timeout_s, security=visit.security
    )
    own = {node_text(signal.place) for signal in register_map.signals if isinstance(signal.place, OpcuaPlace)}
    places = [
        OpcuaPlace(namespace_uri=each.namespace_uri, identifier=each.identifier)
        for each in found
        if isinstance(each.value, (bool, int, float))
    ]
    others = [place for place in places if node_text(place) not in own]
    if is_cut or len(others) > _MOST_BESIDE:
        tell(f"the server has more variables than are read beside the map's: the first {_MOST_BESIDE} are")
    return others[:_MOST_BESIDE]
