"""Faults in words: which there are, and one order of the user as a fault."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from gateway.registers.findings import nearest
from gateway.registers.quantities import parse_quantity, parse_ratio, parse_whole
from simulators.faults import ReplyFault
from simulators.link_faults import OF_SIGNALS, Fault, FaultKind, LinkFault
from simulators.scenario_events import DeviceFault
from simulators.timetable import Action

FAULT_WORDS: dict[str, str] = {
    "late": "replies come late: `delay 300 ms`",
    "wrong_id": "replies carry another transaction id",
    "previous_id": "replies carry the transaction id of the request before",
    "id_zero": "replies carry transaction id 0",
    "wrong_unit": "replies carry another unit",
    "wrong_function": "replies carry another function code",
    "short": "one register too few",
    "long": "one register too many",
    "odd": "an odd count of data bytes",
    "exception": "exception replies: `code 2`",
    "cut": "half a frame, the rest after `delay 1 s`, or never without a delay",
    "crc": "a wrong check sum (RTU frames only)",
    "garbage": "300 random bytes instead of a reply",
    "pieces": "the right reply, one byte a packet",
    "silence": "no reply",
    "close": "the connection is closed instead of a reply",
    "reset": "the connection is reset instead of a reply",
    "refuse": "no connection is taken, standing ones are cut",
    "connection_limit": "no more than `value 1` connections",
    "drop": "all connections are reset, once",
    "frozen": "the values stand still, the motor does not",
    "counter": "the start counter stands at `value 0` from now on",
    "word_order": "long numbers come with their words swapped",
    "restart": "the device boots: a running motor is switched off, nothing answers `for 8 s`",
    "open_line": "line `value 1` (2, 3) of the supply is open",
    "sag": "the supply falls `to 80 %`",
    "server_frozen": "the OPC UA server answers and nothing moves, its clock included",
    "server_killed": "the OPC UA server is gone without a goodbye until it is cleared",
    "server_restarted": "the OPC UA server restarts, once",
    "namespace_inserted": "the OPC UA server restarts with one more namespace before the others",
    "node_removed": "the OPC UA server restarts without the node of `signal current`",
    "bad_status": "nodes answer a bad status; one of them with `signal current`",
    "no_source_time": "values come without the source's timestamp",
}
_PARTICULARS = ("for", "delay", "code", "times", "chance", "signal", "value", "to")


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceTrouble:
    """A fault of the device or its supply."""

    kind: DeviceFault
    value: float

    @property
    def lasts(self) -> bool:
        """False for what has happened as soon as it is ordered."""
        return self.kind not in (DeviceFault.COUNTER, DeviceFault.RESTART)


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultOrder:
    """One order. for_s None: until it is cleared."""

    name: str
    fault: Fault | DeviceTrouble
    for_s: float | None


@dataclass(frozen=True, slots=True)
class Events:
    """What the device does when a fault begins and ends."""

    begin: tuple[tuple[Action, float], ...]
    end: tuple[tuple[Action, float], ...] = ()


def device_events(trouble: DeviceTrouble) -> Events:
    """Return what the device does in a fault of its own."""
    match trouble.kind:
        case DeviceFault.FROZEN:
            return Events(((Action.FREEZE, 0.0),), ((Action.THAW, 0.0),))
        case DeviceFault.COUNTER:
            return Events(((Action.SET_COUNTER, trouble.value),))
        case DeviceFault.WORD_ORDER:
            return Events(((Action.SWAP_WORDS, 0.0),), ((Action.UNSWAP_WORDS, 0.0),))
        case DeviceFault.RESTART:
            return Events(((Action.RESTART, trouble.value),))
        case DeviceFault.OPEN_LINE:
            return Events(((Action.OPEN_LINE, trouble.value),), ((Action.CLOSE_LINE, 0.0),))
        case DeviceFault.SAG:
            return Events(((Action.SAG, trouble.value),), ((Action.SAG, 1.0),))


def read_fault(words: Sequence[str]) -> FaultOrder:
    """Return the fault of an order such as `late delay 300 ms for 10 s`; ValueError says what is wrong.

    >>> read_fault("exception code 6 times 3".split()).fault.exception_code
    6
    """
    name = words[0].lower()
    if name not in FAULT_WORDS:
        hint = nearest(name, FAULT_WORDS)
        raise ValueError(f"there is no fault {name}{': ' + hint if hint else ''}; `help fault` lists them")
    given = _particulars(words[1:])
    try:
        for_s = _time(given, "for")
        fault = _device(name, given, for_s) if is_device_fault(name) else _on_the_wire(wire_fault(name), given)
    except ValueError as error:
        raise ValueError(f"{name}: {error}") from error
    return FaultOrder(name=name, fault=fault, for_s=for_s)


def _particulars(words: Sequence[str]) -> dict[str, str]:
    found: dict[str, str] = {}
    name = ""
    for word in words:
        if word in _PARTICULARS and word not in found:
            name = word
            found[name] = ""
        elif not name:
            raise ValueError(f"`{word}` is not understood; particulars are {', '.join(_PARTICULARS)}")
        else:
            found[name] = f"{found[name]} {word}".strip()
    return found


def _time(given: dict[str, str], name: str) -> float | None:
    if name not in given:
        return None
    seconds = parse_quantity(given[name], "s")
    if not 0.0 <= seconds <= 1e6:
        raise ValueError(f"`{name}` is a time from 0 s up")
    return seconds


def _whole(given: dict[str, str], name: str, default: int, low: int, high: int) -> int:
    number = parse_whole(given[name]) if name in given else default
    if not low <= number <= high:
        raise ValueError(f"`{name}` is a whole number from {low} to {high}")
    return number


def _device(name: str, given: dict[str, str], for_s: float | None) -> DeviceTrouble:
    kind = DeviceFault(name)
    value = 0.0
    if kind is DeviceFault.COUNTER:
        value = float(_whole(given, "value", 0, 0, 2**32 - 1))
    elif kind is DeviceFault.RESTART:
        value = for_s or 0.0
    elif kind is DeviceFault.OPEN_LINE:
        value = float(_whole(given, "value", 1, 1, 3))
    elif kind is DeviceFault.SAG:
        value = parse_ratio(given.get("to", "80 %"))
        if not 0.05 <= value <= 1.5:
            raise ValueError("`to` is 5 to 150 % of the supply")
    return DeviceTrouble(kind=kind, value=value)


def is_device_fault(name: str) -> bool:
    """Return whether a fault is one of the device itself or its supply."""
    return name in list(DeviceFault)


def wire_fault(name: str) -> FaultKind:
    """Return the fault of the wire with this name."""
    return LinkFault(name) if name in list(LinkFault) else ReplyFault(name)


def _on_the_wire(kind: FaultKind, given: dict[str, str]) -> Fault:
    chance = parse_ratio(given.get("chance", "100 %"))
    if not 0.0 <= chance <= 1.0:
        raise ValueError("`chance` is 0 to 100 %")
    if kind is LinkFault.NODE_REMOVED and "signal" not in given:
        raise ValueError("of which signal? write `signal current`")
    if "signal" in given and kind not in OF_SIGNALS:
        raise ValueError("it is not about one signal")
    return Fault(
        kind=kind,
        replies=_whole(given, "times", 1, 1, 10**6) if "times" in given and isinstance(kind, ReplyFault) else None,
        probability=chance,
        delay_s=_time(given, "delay") or (0.5 if kind is ReplyFault.LATE else 0.0),
        exception_code=_whole(given, "code", 4, 1, 255),
        signal=given.get("signal", ""),
        value=_whole(given, "value", 1, 0, 10**4),
    )
