"""The block plan of a map as data and as text: every request at every pace, the signals in it, and its bytes on the wire."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any

from rich.console import Console

from gateway.drivers.frames import read_request
from gateway.drivers.plans import Plans
from gateway.errors import InputError
from gateway.motors.records import Pace
from gateway.registers.load import load_map
from gateway.registers.model import Protocol, RegisterMap
from gateway.registers.plan import Block
from gateway.site import Framing

SHOWN_UNIT = 1
_PACES = (("normal", Pace.STANDBY), ("slow", Pace.SLOW), ("watch", Pace.WATCH))


def plans_in(paths: Iterable[Path]) -> list[dict[str, Any]]:
    """Return the plan of each file that is a good map; other files are passed over."""
    plans = []
    for path in paths:
        try:
            plans.append(plan_of(load_map(path)))
        except InputError:
            # A site file: its maps are in the list by themselves.
            continue
    return plans


def plan_of(register_map: RegisterMap) -> dict[str, Any]:
    """Return the requests of a map at each pace, none for a map that is not read in blocks.

    unit, transaction: those shown in the bytes; a starter's own unit and a running number take their places.
    """
    requests: list[dict[str, Any]] = []
    if register_map.protocol is Protocol.MODBUS:
        plans, unlike = Plans(register_map), Plans(register_map, unlike=True)
        for name, pace in _PACES:
            pairs = zip(plans.blocks(pace), unlike.blocks(pace), strict=True)
            requests += [_request(name, block, serial) for block, serial in pairs]
    return {
        "file": register_map.file,
        "map": register_map.name,
        "protocol": register_map.protocol.value,
        "unit": SHOWN_UNIT,
        "transaction": 1,
        "requests": requests,
    }


def _request(pace: str, block: Block, serial: Block) -> dict[str, Any]:
    return {
        "pace": pace,
        "function_code": block.span.table.function_code,
        "table": block.span.table.value,
        "first": block.span.first,
        "count": block.span.count,
        "signals": [signal.name for signal in block.signals],
        "bytes": read_request(Framing.TCP, SHOWN_UNIT, block.span).hex(" "),
        "bytes_rtu": read_request(Framing.RTU, SHOWN_UNIT, serial.span).hex(" "),
    }


def print_plan(console: Console, plan: dict[str, Any]) -> None:
    """Print a plan request by request."""
    if plan["protocol"] != Protocol.MODBUS:
        console.print(f"{plan['map']}: OPC UA nodes are read by name, not in blocks")
        return
    console.print(f"{plan['map']} ({plan['file']}): bytes shown for unit {plan['unit']}, Modbus TCP framing")
    for each in plan["requests"]:
        last = each["first"] + each["count"] - 1
        where = f"{each['first']}" if each["count"] == 1 else f"{each['first']} to {last}"
        console.print(f"  {each['pace']:<8}function {each['function_code']}  {each['table']} {where} on the wire, {each['count']} in all")
        console.print(f"          {each['bytes']}")
        console.print(f"          {', '.join(each['signals'])}")
