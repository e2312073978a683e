"""What a value of each role can be by itself: its range, its step from moment to moment, its pattern.

The ranges are wide on purpose: they tell a wrong word order or table, not a bad motor. Ranges and weights are our judgement (common
practice, no source) except the nominal voltages.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from gateway.bench.series import Series
from gateway.registers.model import WordType
from gateway.registers.roles import RoleKind
from gateway.registers.word_shapes import FLOATS

NOMINAL_V = (
    *(110, 115, 120, 200, 208, 220, 230, 240, 277, 347, 380, 400, 415, 440, 460, 480, 500, 525, 550, 575, 600, 660, 690),
    *(1000, 1140, 2300, 3000, 3300, 4160, 6000, 6600, 6900, 10000, 11000, 13800),
)
"""Nominal voltages of supplies that motors are wound for (IEC 60038:2009 tables 1 and 3, ANSI C84.1; from memory - confirm)."""

_POSSIBLE = {
    "current": (0, 10_000),
    "current_l1": (0, 10_000),
    "current_l2": (0, 10_000),
    "current_l3": (0, 10_000),
    "voltage": (0, 16_000),
    "motor_voltage": (0, 16_000),
    "power": (-20_000, 20_000),
    "power_factor": (-1.001, 1.001),
    "frequency": (0, 500),
    "speed": (-20_000, 20_000),
    "trip_code": (0, 65_534),
    "start_count": (0, 20_000_000),
    "running_hours": (0, 400_000),
    "winding_temperature": (-60, 350),
    "ambient_temperature": (-60, 120),
    "thermal_used": (0, 400),
    "set_ramp_time": (0, 600),
    "set_initial_voltage": (0, 100),
    "set_current_limit": (0, 1200),
    "set_flc": (0, 5000),
}
"""Lowest and highest value that any starter shows, in the unit of the role."""

_USUAL = {
    "winding_temperature": (-20, 200),
    "ambient_temperature": (-30, 80),
    "thermal_used": (0, 150),
    "start_count": (0, 1_000_000),
    "speed": (-4_500, 4_500),
    "set_ramp_time": (0.5, 180),
    "set_initial_voltage": (5, 100),
    "set_current_limit": (100, 900),
    "set_flc": (0.1, 3000),
}
_QUICK = ("winding_temperature", "ambient_temperature", "thermal_used")
_SMALLEST_FLOAT = 1e-4
_FEWEST_FOR_COURSE = 8


@dataclass(frozen=True, slots=True)
class Finding:
    """Something that does not fit. weight: how much it speaks against this reading; is_proof: no right reading can show it."""

    weight: float
    text: str
    is_proof: bool = False


def findings_alone(series: Series) -> list[Finding]:
    """Return what does not fit about a series, looked at by itself."""
    if series.unread:
        return [Finding(8.0, series.unread, is_proof=True)]
    if series.text is not None:
        return _text_findings(series)
    found = _broken(series)
    if not series.known.size:
        return found
    if series.kind is RoleKind.FLAG or series.signal.type is WordType.BIT:
        return found
    return found + _plausible(series) + _possible(series) + _usual(series) + _pattern(series) + _course(series)


def _text_findings(series: Series) -> list[Finding]:
    text = series.text or ""
    if not text:
        return [Finding(0.5, "the text is empty")]
    strange = sum(not (" " <= letter <= "~") for letter in text)
    return [Finding(3.0 * strange / len(text), f"{strange} of {len(text)} letters are no usual letters")] if strange else []


def _broken(series: Series) -> list[Finding]:
    found = []
    total = len(series.values)
    if series.broken:
        what = "BCD digits above 9" if series.signal.type in (WordType.BCD16, WordType.BCD32) else "no number (NaN or infinite)"
        found.append(Finding(8.0 * series.broken / total, f"the words hold {what}", is_proof=True))
    elif series.absent:
        found.append(Finding(0.2 * series.absent / total, "the device sends its no-value code: it does not measure this now"))
    elif not series.known.size:
        found.append(Finding(6.0, "its scale register has no usable value", is_proof=True))
    return found


def _outside(series: Series, low: float, high: float) -> tuple[float, str]:
    beyond = series.known[(series.known < low) | (series.known > high)]
    return (beyond.size / series.known.size, series.shown(float(beyond[0]))) if beyond.size else (0.0, "")


def _plausible(series: Series) -> list[Finding]:
    if series.signal.plausible is None:
        return []
    unit, (low, high) = series.signal.to_role_unit, series.signal.plausible
    share, example = _outside(series, low * unit, high * unit)
    if not share:
        return []
    return [Finding(2.0 + 4.0 * share, f"{example} is outside of the map's plausible range {low:g} to {high:g}", is_proof=True)]


def _possible(series: Series) -> list[Finding]:
    limits = _POSSIBLE.get(series.signal.role or "")
    if limits is None:
        return []
    share, example = _outside(series, *limits)
    return [Finding(2.0 + 4.0 * share, f"no starter shows {example} here", is_proof=True)] if share else []


def _usual(series: Series) -> list[Finding]:
    role, found = series.signal.role or "", []
    limits = _USUAL.get(role)
    if limits is not None:
        share, example = _outside(series, *limits)
        if share:
            found.append(Finding(1.0 * share, f"{example} is unusual: mostly {limits[0]:g} to {limits[1]:g}"))
    if role == "voltage":
        steady = float(np.median(series.known))
        if steady > 0 and not any(0.88 * nominal <= steady <= 1.12 * nominal for nominal in NOMINAL_V):
            found.append(Finding(1.5, f"{series.shown(steady)} is near no usual supply voltage"))
        elif steady > 1000:
            found.append(Finding(0.25, f"{series.shown(steady)} is high voltage: few starters are made for it"))
        elif steady == 0:
            found.append(Finding(1.2, "no supply voltage"))
        elif series.span[0] < 0.6 * steady:
            found.append(Finding(1.5, f"a supply does not fall from {series.shown(steady)} to {series.shown(series.span[0])}"))
    if role == "frequency":
        steady = float(np.median(series.known))
        if steady > 0 and not 40 <= steady <= 65:
            found.append(Finding(1.4, f"{series.shown(steady)} is near neither 50 nor 60 Hz"))
    if role.endswith("_temperature") and 0 < max(abs(series.span[0]), abs(series.span[1])) < 0.3:
        found.append(Finding(1.7, f"{series.range_shown()} is hardly a temperature"))
    if role == "running_hours" and series.kind is RoleKind.NUMBER and series.span[1] > 200_000:
        found.append(Finding(0.5, f"{series.shown(series.span[1])} is more than 22 years"))
    if role == "trip_code" and series.signal.texts:
        odd = [float(code) for code in np.unique(series.known) if int(code) not in series.signal.texts]
        if odd:
            found.append(Finding(1.5, f"code {odd[0]:g} is not among the map's texts"))
    return found


def _pattern(series: Series) -> list[Finding]:
    kind, raws = series.signal.type, series.raws[~np.isnan(series.raws)]
    if kind in FLOATS:
        # A right float of a measured value is never this small: the words of a usual number turned round mostly are.
        small = np.count_nonzero((np.abs(raws) < _SMALLEST_FLOAT) & (raws != 0)) / max(1, raws.size)
        large = np.count_nonzero(np.abs(raws) > 1e9) / max(1, raws.size)
        if small + large > 0:
            worst = float(raws[np.argmax(np.abs(np.log10(np.abs(raws) + (raws == 0))))])
            return [Finding(1.0 + 3.0 * (small + large), f"{worst:.3g} is no measured value", is_proof=bool(small + large > 0.5))]
        return []
    if kind in (WordType.UINT32, WordType.INT32, WordType.UINT64, WordType.INT64) and raws.size and raws.max() > 0:
        if np.all(np.mod(raws, 65536) == 0):
            return [Finding(1.5, "its last word is always 0: the words may come the other way round")]
    if kind is WordType.UINT16 and raws.size and raws.max() >= 65_000 and series.signal.texts == {}:
        return [Finding(1.0, f"raw {raws.max():.0f} is near the top of a register: a negative number or a no-value code?")]
    return []


def _course(series: Series) -> list[Finding]:
    """What the course through time says; needs a record of some length."""
    known, role = series.known, series.signal.role or ""
    if known.size < _FEWEST_FOR_COURSE or series.is_constant:
        return []
    steps = np.abs(np.diff(known))
    reach = series.span[1] - series.span[0]
    found = []
    jumps = int(np.count_nonzero(steps > 0.5 * reach))
    # A steady value flickers in its last digits, and that is no course.
    coarse = np.unique(known).size < 4 or reach < 0.02 * float(np.abs(known).max())
    if jumps >= 4 and jumps > 0.1 * steps.size and not coarse:
        found.append(Finding(min(3.0, 10.0 * jumps / steps.size), f"it jumps through half of its range {jumps} times"))
    if role == "voltage" and float(np.median(steps)) > 0.02 * float(np.median(known)):
        found.append(Finding(0.8, f"a supply does not flicker from moment to moment ({series.range_shown()})"))
    if role.startswith("set_"):
        found.append(Finding(2.0, f"a setting does not move by itself ({series.range_shown()})"))
    if role in _QUICK and steps.max() > 15:
        found.append(Finding(2.0, f"it moves by {series.shown(float(steps.max()))} at once: heat is slower"))
    if role in ("start_count", "running_hours") and np.any(np.diff(known) < 0):
        found.append(Finding(4.0, "it falls: a counter only rises", is_proof=True))
    return found
