"""What a drift may mean, in the words of the trade. Every hint is common practice, no source: where to look first, not a finding."""

from __future__ import annotations

from collections.abc import Mapping

from gateway.motors.drift_terms import Begun, Figure
from gateway.motors.facts import LoadData, LoadKind

MARK = "common practice, no source"
_BELT_DRIVEN = frozenset({LoadKind.FAN, LoadKind.CONVEYOR, LoadKind.COMPRESSOR, LoadKind.TABLE})
_WORDS: dict[Figure, tuple[str, str, str, int]] = {
    Figure.DURATION: ("starts grow longer", "starts grow shorter", "s", 1),
    Figure.I2T: ("I2t of starts grows", "I2t of starts falls", "FLC2 s", 0),
    Figure.PEAK: ("peak current grows", "peak current falls", "x FLC", 2),
    Figure.AT_SPEED: ("current at speed grows", "current at speed falls", "x FLC", 2),
    Figure.UNBALANCE: ("unbalance grows", "unbalance falls", "%", 1),
    Figure.STOP: ("soft stops grow longer", "soft stops grow shorter", "s", 1),
}


def text_for(figure: Figure, begun: Begun, baseline: float, now: float) -> str:
    """Return what has changed and by how much, at most 44 characters.

    >>> text_for(Figure.DURATION, Begun.WARM, 8.93, 10.81)
    'starts grow longer: 8.9 to 10.8 s'
    """
    grows, falls, unit, digits = _WORDS[figure]
    return f"{grows if now > baseline else falls}: {baseline:.{digits}f} to {now:.{digits}f} {unit}"


def hint_for(figure: Figure, rises: Mapping[Figure, bool], load: LoadData | None) -> str:
    """Return where to look first. `rises`: the figures that drift, and whether they grow.

    >>> hint_for(Figure.DURATION, {Figure.DURATION: True, Figure.AT_SPEED: False}, LoadData(kind=LoadKind.FAN))
    'belt slip: belt tension and pulleys (common practice, no source)'
    """
    return f"{_hint(figure, rises, load.kind if load is not None else None)} ({MARK})"


def _hint(figure: Figure, rises: Mapping[Figure, bool], kind: LoadKind | None) -> str:
    if figure is Figure.UNBALANCE:
        return "unequal phases: the supply voltages first, then the winding and its terminals"
    if figure is Figure.STOP:
        shorter = rises.get(Figure.STOP) is False
        return (
            "a pump that stops faster: the check valve"
            if shorter and kind is LoadKind.PUMP
            else "what brakes or drives the load as it stops"
        )
    longer, less = rises.get(Figure.DURATION) is True, rises.get(Figure.AT_SPEED) is False
    if longer and less and (kind is None or kind in _BELT_DRIVEN):
        return "belt slip: belt tension and pulleys"
    if longer or rises.get(Figure.I2T) is True:
        return _heavier(kind)
    if rises.get(Figure.AT_SPEED) is True:
        return "a heavier load at speed: bearings, blockage, the process itself"
    if less:
        return "a lighter load at speed: blocked suction or inlet, a coupling or belt that slips"
    return "supply voltage and the settings of the starter"


def _heavier(kind: LoadKind | None) -> str:
    if kind is LoadKind.FAN:
        return "longer and harder starts of a fan: a clogged filter, a damper that stands open"
    if kind is LoadKind.PUMP:
        return "longer starts of a pump: bearings, a rubbing impeller, a valve that opens too soon"
    if kind is LoadKind.CONVEYOR:
        return "longer starts of a conveyor: started loaded, a belt that binds, idlers, gearbox oil"
    if kind is LoadKind.COMPRESSOR:
        return "longer starts of a compressor: the unloader valve"
    return "a heavier load: bearings, blockage, started loaded; then the supply voltage"
