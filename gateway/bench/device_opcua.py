"""What the bench does at an OPC UA server: read a map's nodes, once or through a start, and look around."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from gateway.bench.company import Company
from gateway.bench.node_record import named
from gateway.bench.start_checks import is_started
from gateway.bench.verify_opcua import Sample, node_text, opcua_series
from gateway.bench.wire import DeviceLostError
from gateway.clock import Clock
from gateway.drivers.base import Fault
from gateway.drivers.opcua_browse import BrowsingSession, FoundVariable
from gateway.drivers.opcua_session import OpcuaSession
from gateway.registers.model import OpcuaPlace, RegisterMap
from gateway.site import OpcuaSecurity

_LOOK_EVERY = 5
_AFTER_START_S = 20.0


class OpcuaReading:
    """The samples of one visit. missing: why a node is not there, by signal key; requests: Read calls made."""

    def __init__(self, samples: list[Sample], missing: dict[str, str], requests: int) -> None:
        self.samples, self.missing, self.requests = samples, missing, requests


async def read_nodes(
    endpoint: str,
    register_map: RegisterMap,
    clock: Clock,
    *,
    security: OpcuaSecurity | None = None,
    duration_s: float = 0.0,
    rate: float = 5.0,
    tell: Callable[[str], None] = lambda text: None,
    beside: Sequence[OpcuaPlace] = (),
    keep: Callable[[Sample], None] = lambda sample: None,
) -> OpcuaReading:
    """Read every node of a map once, or again and again until a start was seen or `duration_s` is up.

    beside: other nodes to read with them. keep: told of every reading (a recorder). Values are named by signal key and by node text.

    Raises DeviceLostError when the server cannot be reached or is lost before anything was read.
    """
    texts = {signal.key: node_text(signal.place) for signal in register_map.signals if isinstance(signal.place, OpcuaPlace)}
    places = {node_text(place): place for place in beside}
    places |= {node_text(signal.place): signal.place for signal in register_map.signals if isinstance(signal.place, OpcuaPlace)}
    order = list(places)
    session = OpcuaSession(endpoint, list(places.values()), register_map.timeout_s, clock, security)
    fault = await session.open()
    if fault is not None:
        raise DeviceLostError(f"{endpoint}: {fault.text}")
    samples: list[Sample] = []
    requests, began_s = 0, clock.monotonic()
    try:
        gone = {order[index]: why for index, why in session.missing.items()}
        missing = {**gone, **{key: gone[text] for key, text in texts.items() if text in gone}}
        while True:
            result = await session.read(range(len(order)))
            if isinstance(result, Fault):
                if not samples:
                    raise DeviceLostError(f"{endpoint}: {result.text}")
                tell(f"reading ended: {result.text}")
                break
            values, calls = result
            requests += calls
            samples.append((clock.now(), named({order[index]: value for index, value in values.items()}, texts)))
            keep(samples[-1])
            if clock.monotonic() - began_s >= duration_s or (
                len(samples) % _LOOK_EVERY == 0 and _start_over(register_map, samples, missing)
            ):
                break
            await clock.sleep(1.0 / rate)
    finally:
        await session.close()
    return OpcuaReading(samples, missing, requests)


def opcua_company(register_map: RegisterMap, samples: list[Sample], missing: dict[str, str], flc_a: float | None = None) -> Company:
    """Return the series of all nodes of a map."""
    return Company({signal.key: opcua_series(signal, samples, missing) for signal in register_map.signals}, flc_a)


def _start_over(register_map: RegisterMap, samples: list[Sample], missing: dict[str, str]) -> bool:
    started_s = is_started(opcua_company(register_map, samples, missing))
    return started_s is not None and (samples[-1][0] - samples[0][0]) / 1e6 - started_s > _AFTER_START_S


async def browse(
    endpoint: str, clock: Clock, *, most_nodes: int, timeout_s: float, security: OpcuaSecurity | None = None
) -> tuple[list[FoundVariable], int, bool]:
    """Return a server's variables, the service calls made, and whether there was more than `most_nodes`; DeviceLostError when it fails."""
    session = BrowsingSession(endpoint, [], timeout_s, clock, security)
    fault = await session.open()
    if fault is not None:
        raise DeviceLostError(f"{endpoint}: {fault.text}")
    try:
        found = await session.variables(most_nodes)
    finally:
        await session.close()
    if isinstance(found, Fault):
        raise DeviceLostError(f"{endpoint}: {found.text}")
    return found, session.requests, session.is_cut
