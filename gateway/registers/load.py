"""Reads a register map from the user's YAML: every mistake at once, with file, line, field, what was found and what is allowed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from gateway.errors import InputError
from gateway.registers.addresses import parse_span, written_address
from gateway.registers.findings import Findings, nearest
from gateway.registers.modbus_signals import MapFrame, read_modbus_signal
from gateway.registers.model import Fetch, ModbusPlace, Order, Protocol, RegisterMap, Signal, Span, WordType
from gateway.registers.opcua_signals import OpcuaFrame, read_opcua_signal
from gateway.registers.plan import tied_parts
from gateway.registers.sections import Section
from gateway.registers.yaml_tree import YamlList, YamlMap, YamlText, parse_tree, read_tree

_COMMON = ("map", "about", "protocol", "timeout", "update_time", "requests_per_s", "signals")
_MODBUS = (
    "first_address",
    "word_order",
    "byte_order",
    "largest_block",
    "largest_bit_block",
    "largest_gap",
    "forbidden",
    "together",
    "min_gap",
    "answers_id_zero",
)
_OPCUA = ("namespace", "fetch", "sampling_interval")
_INTEGERS = (WordType.INT16, WordType.UINT16, WordType.INT32, WordType.UINT32, WordType.BITS)


def load_map(path: Path) -> RegisterMap:
    """Return a checked register map. Raises InputError with every problem of the file."""
    findings = Findings(str(path))
    register_map = read_map(path, findings)
    if register_map is None or findings:
        raise InputError(findings.problems)
    return register_map


def load_map_text(text: str, name: str) -> RegisterMap:
    """Return the checked register map that a text holds; `name` stands for the file in what is told of it. Raises InputError as `load_map`.

    >>> load_map_text("map: a\\nprotocol: modbus\\nsignals: {x: {at: holding 1, type: uint16}}", "pasted").signals[0].place.span.first
    1
    """
    findings = Findings(name)
    tree = parse_tree(text, findings)
    register_map = None if tree is None else map_from(tree, findings)
    if register_map is None or findings:
        raise InputError(findings.problems)
    return register_map


def read_map(path: Path, findings: Findings) -> RegisterMap | None:
    """Return a map as far as it can be read, None when it cannot; it may be used only when `findings` stays empty."""
    tree = read_tree(path, findings)
    return None if tree is None else map_from(tree, findings)


def map_from(tree: YamlMap, findings: Findings) -> RegisterMap | None:
    """Return the map that a tree describes, as `read_map` does."""
    top = Section(tree, "", findings)
    protocol = top.choice("protocol", Protocol)
    if protocol is None:
        if "protocol" not in top:
            top.require("protocol", "modbus")
        return None
    other = _OPCUA if protocol is Protocol.MODBUS else _MODBUS
    own = _MODBUS if protocol is Protocol.MODBUS else _OPCUA
    top.allow((*_COMMON, *own), dict.fromkeys(other, f"it does not belong to a map for {protocol.value}"))
    name = top.text("map", longest=80)
    if "map" not in top:
        top.require("map", "my-soft-starter")
    base = RegisterMap(
        name=name or "",
        protocol=protocol,
        signals=(),
        timeout_s=_given(top.quantity("timeout", "s", 0.05, 60), 1.0),
        update_time_s=_given(top.quantity("update_time", "s", 0, 3600), 0.0),
        requests_per_s=top.whole("requests_per_s", 1, 1000),
        file=findings.file,
    )
    register_map = _modbus_map(top, base) if protocol is Protocol.MODBUS else _opcua_map(top, base)
    _check_keys(top, register_map.signals)
    return register_map


def _given(value: float | None, default: float) -> float:
    return default if value is None else value


def _modbus_map(top: Section, base: RegisterMap) -> RegisterMap:
    first_address = top.whole("first_address", 0, 1) or 0
    frame = MapFrame(
        first_address=first_address,
        word_order=top.choice("word_order", Order) or Order.HIGH_FIRST,
        byte_order=top.choice("byte_order", Order) or Order.HIGH_FIRST,
    )
    gap = top.whole("largest_gap", 0, 124)
    sections = _signal_sections(top)
    signals = [read_modbus_signal(section, name, frame) for name, section in sections.items()]
    register_map = replace(
        base,
        signals=tuple(signal for signal in signals if signal is not None),
        first_address=first_address,
        largest_block=top.whole("largest_block", 1, 125) or 125,
        largest_bit_block=top.whole("largest_bit_block", 1, 2000) or 2000,
        largest_gap=8 if gap is None else gap,
        forbidden=_forbidden(top, first_address),
        together=_together(top, sections),
        min_gap_s=_given(top.quantity("min_gap", "s", 0, 10), 0.0),
        answers_id_zero=top.flag("answers_id_zero") or False,
    )
    _check_overlaps(sections, register_map.signals)
    _check_scales(sections, register_map.signals)
    _check_parts(top, sections, register_map)
    return register_map


def _opcua_map(top: Section, base: RegisterMap) -> RegisterMap:
    fetch = top.choice("fetch", Fetch) or Fetch.POLL
    frame = OpcuaFrame(
        namespace_uri=top.text("namespace", longest=500) or "",
        fetch=fetch,
        sampling_interval_s=top.quantity("sampling_interval", "s", 0.01, 3600),
    )
    sections = _signal_sections(top)
    signals = [read_opcua_signal(section, name, frame) for name, section in sections.items()]
    return replace(base, signals=tuple(signal for signal in signals if signal is not None))


def _signal_sections(top: Section) -> Mapping[str, Section]:
    inner = top.section("signals")
    if inner is None:
        if "signals" not in top:
            top.require("signals", "{current: {at: holding 13, type: uint16, unit: A}}")
        return {}
    if not inner.names():
        top.refuse("signals", "the map has no signal: name at least one", found="nothing")
    sections = {name: inner.section(name) for name in inner.names()}
    return {name: section for name, section in sections.items() if section is not None}


def _forbidden(top: Section, first_address: int) -> tuple[Span, ...]:
    spans: list[Span] = []
    for item in top.texts("forbidden") or ():
        field = top.field("forbidden")
        try:
            span, _ = parse_span(item.text, first_address)
        except ValueError as error:
            top.findings.add(line=item.line, field=field, found=item.text, allowed="holding 40-49", message=str(error))
            continue
        clash = next((other for other in spans if _overlap(span, other)), None)
        if clash is not None:
            message = f"the range overlaps {written_address(clash)}, which is forbidden already"
            top.findings.add(line=item.line, field=field, found=item.text, message=message)
        spans.append(span)
    return tuple(spans)


def _together(top: Section, sections: Mapping[str, Section]) -> tuple[tuple[str, ...], ...]:
    items = top.items("together") or ()
    rows = [item for item in items if isinstance(item, YamlList)]
    if not rows and len(items) > 1:
        rows = [YamlList(items, items[0].line)]
    elif len(rows) != len(items):
        top.refuse("together", "a list of groups is needed here", found="single names among groups", allowed="[[current, voltage], [a, b]]")
    groups = []
    for row in rows:
        names = [item.text for item in row.items if isinstance(item, YamlText)]
        for name in names:
            if name not in sections:
                hint = nearest(name, sections)
                message = f"no signal is called {name}" + (f": {hint}" if hint else "")
                top.findings.add(line=row.line, field=top.field("together"), found=name, message=message)
        if len(set(names)) < 2 or len(names) != len(row.items) or len(set(names)) != len(names):
            top.findings.add(line=row.line, field=top.field("together"), message="a group is two or more names of signals, each once")
        groups.append(tuple(name for name in names if name in sections))
    return tuple(group for group in groups if len(group) > 1)


def _overlap(one: Span, other: Span) -> bool:
    return one.table is other.table and one.first <= other.last and other.first <= one.last


def _span(signal: Signal) -> Span | None:
    return signal.place.span if isinstance(signal.place, ModbusPlace) else None


def _check_keys(top: Section, signals: Sequence[Signal]) -> None:
    first_of: dict[str, Signal] = {}
    for signal in signals:
        other = first_of.setdefault(signal.key, signal)
        if other is not signal:
            message = f"the signal {other.name} on line {other.line} has the role {signal.key} already: two cannot have it"
            top.findings.add(line=signal.line, field=f"signals.{signal.name}", found=signal.key, message=message)


def _check_overlaps(sections: Mapping[str, Section], signals: Sequence[Signal]) -> None:
    """Bits share a register and one value may be read in two ways; values that overlap in part are a mistake in an address or a type."""
    whole = [(span, signal) for signal in signals if signal.type not in (WordType.BIT, WordType.BITS) and (span := _span(signal))]
    whole.sort(key=lambda pair: pair[0])
    for index, (span, signal) in enumerate(whole):
        for other_span, other in whole[index + 1 :]:
            if not _overlap(span, other_span):
                break
            if span != other_span:
                message = f"its registers {written_address(other_span)} overlap those of {signal.name} ({written_address(span)}) in part"
                sections[other.name].refuse("at", f"{message}: check address and type")


def _check_scales(sections: Mapping[str, Section], signals: Sequence[Signal]) -> None:
    by_name = {signal.name: signal for signal in signals}
    for signal in signals:
        if signal.scale_from is None:
            continue
        section = sections[signal.name]
        scale = by_name.get(signal.scale_from)
        if signal.scale_from not in sections or scale is signal:
            hint = nearest(signal.scale_from, [name for name in sections if name != signal.name])
            section.refuse("scale_from", "the name of another signal is needed" + (f": {hint}" if hint else ""))
        elif scale is not None and (scale.type not in _INTEGERS or scale.scale != 1 or scale.offset != 0 or scale.scale_from):
            section.refuse("scale_from", f"{scale.name} must be a whole number without a scale of its own: it holds a power of ten")


def _check_parts(top: Section, sections: Mapping[str, Section], register_map: RegisterMap) -> None:
    inside = set()
    for signal, span in ((signal, span) for signal in register_map.signals if (span := _span(signal))):
        clash = next((each for each in register_map.forbidden if _overlap(each, span)), None)
        if clash is not None:
            inside.add(signal.name)
            sections[signal.name].refuse("at", f"it lies in the forbidden range {written_address(clash)}")
    parts = tied_parts(register_map)
    for tie in (*register_map.together, *((s.name, s.scale_from) for s in register_map.signals if s.scale_from)):
        tables = {span.table for signal in register_map.signals if signal.name in tie and (span := _span(signal))}
        if len(tables) > 1:
            message = f"{', '.join(tie)} lie in different tables and cannot come in one request"
            top.findings.add(line=sections[tie[0]].line, field=f"signals.{tie[0]}", message=message)
    for part in parts:
        names = [signal.name for signal in part.signals]
        limit = register_map.largest_bit_block if part.span.table.holds_bits else register_map.largest_block
        first = sections[names[0]]
        subject = f"{', '.join(names)} must come in one request" if len(names) > 1 else f"{names[0]} takes {part.span.count} addresses"
        if part.span.count > limit:
            message = f"{subject}, which is longer than a request may be"
            first.refuse("at", message, found=f"{part.span.count} from the first to the last", allowed=f"up to {limit}")
        elif not inside.intersection(names) and any(_overlap(each, part.span) for each in register_map.forbidden):
            first.refuse("at", f"{subject}, and a forbidden range lies between them", found=written_address(part.span))
