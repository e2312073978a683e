"""The map of a sweep: one small panel a current limit, ramp time across, initial voltage up, each cell with its start time.

Dark: keeps the bounds. Pale with letters: reaches speed but breaks a bound (C current, T time, H heat). Empty with a dash: no start.
The gentlest wears a thick ring. No colour: nothing here is a fault of the plant.
"""

from __future__ import annotations

from markupsafe import Markup

from gateway.machine.sweep import Fit, SweepPoint
from gateway.services.setting_sweep import SettingSweep
from gateway.web.shapes import svg

_CELL_W, _CELL_H = 46.0, 30.0
_LEFT, _TOP, _BOTTOM = 40.0, 20.0, 34.0


def sweep_map(found: SettingSweep, limit: float) -> Markup:
    """Return the panel of one current limit; voltages rise upwards."""
    ramps, voltages = found.ranges.ramp_times_s, found.ranges.initial_voltages
    width, height = _LEFT + len(ramps) * _CELL_W + 4, _TOP + len(voltages) * _CELL_H + _BOTTOM
    parts = [svg.text(0, 12, f"limit {limit:g} × FLC", "t2")]
    for row, voltage in enumerate(reversed(voltages)):
        y = _TOP + row * _CELL_H
        parts.append(svg.text(_LEFT - 6, y + 19, f"{100 * voltage:.0f} %", anchor="end"))
        for column, ramp_s in enumerate(ramps):
            point = next(each for each in found.points if _is_at(each, limit, voltage, ramp_s))
            parts.append(_cell(_LEFT + column * _CELL_W, y, point, point is found.best))
    foot = _TOP + len(voltages) * _CELL_H + 14
    for column, ramp_s in enumerate(ramps):
        words = f"{ramp_s:g} s" if column == len(ramps) - 1 else f"{ramp_s:g}"
        parts.append(svg.text(_LEFT + (column + 0.5) * _CELL_W, foot, words, anchor="middle"))
    parts.append(svg.text(width - 4, foot + 14, "ramp time; left: initial voltage", anchor="end"))
    panel = [point for point in found.points if point.current_limit_ratio == limit]
    within, failing = (sum(1 for point in panel if point.fit is fit) for fit in (Fit.WITHIN, Fit.FAILS))
    words = f"current limit {limit:g} x FLC: {within} of {len(panel)} settings keep the bounds, {failing} do not reach speed"
    return svg.picture(width, height, words, parts, "chart sweep")


def _is_at(point: SweepPoint, limit: float, voltage: float, ramp_s: float) -> bool:
    return (point.current_limit_ratio, point.initial_voltage_ratio, point.ramp_time_s) == (limit, voltage, ramp_s)


def _cell(x: float, y: float, point: SweepPoint, best: bool) -> str:
    width, height = _CELL_W - 3, _CELL_H - 3
    middle = x + width / 2
    if point.fit is Fit.FAILS or point.duration_s is None:
        return svg.rect(x, y, width, height, "sw0") + svg.text(middle, y + 18, "–", anchor="middle")
    if point.fit is Fit.OUTSIDE:
        letters = " ".join(name[0].upper() for name in point.broken)
        return (
            svg.rect(x, y, width, height, "sw1")
            + svg.text(middle, y + 12, f"{point.duration_s:.1f}", "swt", "middle")
            + svg.text(middle, y + 24, letters, "swb", "middle")
        )
    drawn = svg.rect(x, y, width, height, "sw2") + svg.text(middle, y + 18, f"{point.duration_s:.1f}", "swi", "middle")
    return drawn + (svg.rect(x - 1.5, y - 1.5, width + 3, height + 3, "swr") if best else "")
