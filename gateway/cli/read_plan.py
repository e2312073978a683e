"""The block plans of maps as text."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any

from rich.console import Console

from gateway.errors import InputError
from gateway.registers.load import load_map
from gateway.registers.model import Protocol
from gateway.services.read_plan import plan_of


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
