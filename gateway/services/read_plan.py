"""The block plan of a map as data: every request at every pace, the signals in it, and its bytes on the wire."""

from __future__ import annotations

from typing import Any

from gateway.drivers.frames import read_request
from gateway.drivers.plans import Plans
from gateway.motors.records import Pace
from gateway.registers.model import Protocol, RegisterMap
from gateway.registers.plan import Block
from gateway.site import Framing

SHOWN_UNIT = 1
_PACES = (("normal", Pace.STANDBY), ("slow", Pace.SLOW), ("watch", Pace.WATCH))


def plan_of(register_map: RegisterMap, unit: int = SHOWN_UNIT) -> dict[str, Any]:
    """Return the requests of a map at each pace, none for a map that is not read in blocks.

    unit: the one in the bytes, which a starter's own replaces; a running number takes the place of the transaction.
    """
    requests: list[dict[str, Any]] = []
    if register_map.protocol is Protocol.MODBUS:
        plans, unlike = Plans(register_map), Plans(register_map, unlike=True)
        for name, pace in _PACES:
            pairs = zip(plans.blocks(pace), unlike.blocks(pace), strict=True)
            requests += [_request(name, block, serial, unit) for block, serial in pairs]
    return {
        "file": register_map.file,
        "map": register_map.name,
        "protocol": register_map.protocol.value,
        "unit": unit,
        "transaction": 1,
        "requests": requests,
    }


def _request(pace: str, block: Block, serial: Block, unit: int) -> dict[str, Any]:
    return {
        "pace": pace,
        "function_code": block.span.table.function_code,
        "table": block.span.table.value,
        "first": block.span.first,
        "count": block.span.count,
        "signals": [signal.name for signal in block.signals],
        "bytes": read_request(Framing.TCP, unit, block.span).hex(" "),
        "bytes_rtu": read_request(Framing.RTU, unit, serial.span).hex(" "),
    }
