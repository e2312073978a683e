"""The current over time and speed that a motor's own settings predict, and that of a direct start: what a recorded start is laid over."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path

from gateway.errors import InputError, Problem
from gateway.machine.run_up import Curve, run_up
from gateway.machine.starter_drive import method_of, settings_not_given, starter_drive
from gateway.motors.facts import Method, Starter
from gateway.services.site_data import told_of_site

_MOST_POINTS = 400
_SITE_FILE = Path("site file")
Points = tuple[tuple[float, float], ...]
"""(time [s] from the command, or shaft speed [rpm]; line current [x FLC])."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PredictedCurves:
    """own: by the starter's method and settings; direct: direct on line, empty where that is the own method. Estimates both.

    own_speed, direct_speed: the same over the shaft's speed instead of time.
    assumed: what was not in the site file, so that a typical value stands in. problems: why there is no prediction, with no curve then.
    """

    own: Points = ()
    direct: Points = ()
    own_speed: Points = ()
    direct_speed: Points = ()
    assumed: tuple[str, ...] = ()
    problems: tuple[Problem, ...] = ()


def predicted_curves(starter: Starter) -> PredictedCurves:
    """Return both curves. It takes some tenths of a second, so keep what it returns."""
    try:
        return told_of_site(starter, _SITE_FILE, lambda: _curves(starter))
    except InputError as error:
        return PredictedCurves(problems=error.problems)


def _curves(starter: Starter) -> PredictedCurves:
    made = starter_drive(starter)
    limit_s = max(starter.thresholds.max_start_s, 60.0)
    own = starter.device.method
    points: list[tuple[Points, Points]] = []
    for name in dict.fromkeys((own, Method.DIRECT_ON_LINE)):
        drive = replace(made.drive, method=method_of(name, starter.device, made.drive))
        found = run_up(drive, supply_ratio=1.0, time_limit_s=limit_s, sample_s=0.02)
        ratio = found.line_current_a / made.drive.flc_a
        points.append((_points(found.at_s, ratio), _points(found.speed_rad_s * (30.0 / math.pi), ratio)))
    assumed = (*settings_not_given(own, starter.device), *made.assumed)
    direct, direct_speed = points[1] if len(points) > 1 else ((), ())
    return PredictedCurves(own=points[0][0], direct=direct, own_speed=points[0][1], direct_speed=direct_speed, assumed=assumed)


def _points(along: Curve, ratio: Curve) -> Points:
    step = max(1, len(along) // _MOST_POINTS)
    return tuple(zip(along[::step].tolist(), ratio[::step].tolist(), strict=True))
