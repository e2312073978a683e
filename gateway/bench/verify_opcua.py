"""`bench verify` on OPC UA: nodes instead of addresses, statuses instead of words; the values are judged like any others."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from gateway.bench.judge import Verdict, judge
from gateway.bench.series import Series, scaled
from gateway.bench.verify import VerifyLine, hint_of, own_value
from gateway.drivers.opcua_values import NodeValue, quality_of, value_of
from gateway.instants import SECOND
from gateway.motors.reading import Quality
from gateway.registers.model import OpcuaPlace, RegisterMap, Signal

Sample = tuple[int, Mapping[str, NodeValue]]
"""An instant and the value of each node that was read, by signal key."""


def opcua_lines(
    register_map: RegisterMap, samples: Sequence[Sample], missing: Mapping[str, str], flc_a: float | None = None
) -> tuple[VerifyLine, ...]:
    """Return the line of every signal. missing: why a signal's node is not there, by key."""
    signals = [signal for signal in register_map.signals if isinstance(signal.place, OpcuaPlace)]
    judged = judge(signals, lambda signal: opcua_series(signal, samples, missing), flc_a)
    lines = []
    for each in judged:
        signal = each.signal
        node = samples[-1][1].get(signal.key) if samples else None
        place = signal.place
        written = place.written if isinstance(place, OpcuaPlace) else ""
        series = each.as_written.series
        lines.append(
            VerifyLine(
                signal=signal.name,
                address=written,
                wire=node_text(place) if isinstance(place, OpcuaPlace) else "",
                function_code=None,
                raw="" if node is None else str(node.raw)[:60],
                value=own_value(series),
                shown=series.range_shown() if series.known.size or series.text is not None else "",
                unit=signal.unit,
                quality="bad" if node is None else _quality(signal, node).name.lower(),
                verdict=each.verdict,
                hint=_status_hint(node) if each.verdict is not Verdict.PLAUSIBLE and _status_hint(node) else hint_of(each),
            )
        )
    return tuple(lines)


def opcua_series(signal: Signal, samples: Sequence[Sample], missing: Mapping[str, str], key: str = "") -> Series:
    """Return the course of a signal over the samples; `key` names its values there, where it is not the signal's own."""
    key = key or signal.key
    at_s = np.array([(at - samples[0][0]) / SECOND for at, _ in samples]) if samples else np.zeros(0)
    empty = np.full(len(samples), math.nan)
    nodes = [values.get(key) for _, values in samples]
    if key in missing or all(node is None or quality_of(node.status) is Quality.BAD for node in nodes):
        return Series(signal, at_s, empty, empty, unread=missing.get(key) or _status_hint(nodes[-1] if nodes else None) or "not read")
    last = nodes[-1]
    if last is not None and isinstance(last.raw, str):
        return Series(signal, at_s, empty, empty, text=last.raw)
    raws = np.array([_raw(node) for node in nodes])
    broken = int(sum(node is not None and math.isnan(_raw(node)) for node in nodes))
    values, absent = scaled(signal, raws)
    is_flag = isinstance(last.raw if last is not None else None, bool)
    return Series(signal, at_s, raws if is_flag else values, raws, broken=broken, absent=absent)


def _raw(node: NodeValue | None) -> float:
    if node is None or not isinstance(node.raw, (bool, int, float)) or quality_of(node.status) is Quality.BAD:
        return math.nan
    return float(node.raw) if math.isfinite(node.raw) else math.nan


def _quality(signal: Signal, node: NodeValue) -> Quality:
    _, flaw = value_of(signal, node)
    return Quality.GOOD if flaw is None else flaw.quality


def _status_hint(node: NodeValue | None) -> str:
    if node is None or quality_of(node.status) is Quality.GOOD:
        return ""
    return f"the server says {node.status_name}"


def node_text(place: OpcuaPlace) -> str:
    """Return a node as text: by namespace URI and identifier, or by its browse path.

    >>> node_text(OpcuaPlace(namespace_uri="urn:works", identifier="s=Motor.Current"))
    'nsu=urn:works;s=Motor.Current'
    """
    return f"nsu={place.namespace_uri};{place.identifier}" if place.identifier else "/".join(name for _, name in place.path)
