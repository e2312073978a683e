"""The load and inertia of a motor from its recorded starts, and which later starts depart from the machine so fitted.

The earliest of the given starts are fitted on, the later ones are held against them: a change since then shows. Fitted on are starts to
speed of good quality with a measured curve. A start that took much less time than the others met a machine that still turned; it is left
out, and told.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import hypot
from pathlib import Path
from statistics import fmean, median

from gateway.errors import InputError, Problem
from gateway.instants import Instant, to_iso
from gateway.machine.start_fit import (
    Departure,
    RecordedStart,
    StartFit,
    StartFitError,
    departure,
    fit_starts,
    load_sensitivity,
    predicted_current_a,
)
from gateway.machine.starter_drive import method_of, starter_drive
from gateway.machine.typical import typical_motor_inertia_kg_m2
from gateway.motors.facts import Method, Starter
from gateway.motors.reading import Quality
from gateway.motors.records import Curve, Outcome, Start
from gateway.services.site_data import told_of_site

Json = dict[str, object]

FIT_ON = 5
"""So many starts are fitted on; more say little more and cost time; own choice."""
TOLERANCE_PCT = 10.0
_FEWEST_SAMPLES = 12
_STILL_TURNING = 0.6
"""A start shorter than this part of the usual one met a turning machine; own choice."""
_PHASES = ("current_l1", "current_l2", "current_l3")
_SUPPLY = (0.7, 1.2)
_SUPPLY_STEP = 0.005
_POOR_FLC = 0.16
_LAST, _CHANGED = 5, 3
"""The motor has changed when so many of so many last starts depart; own choice."""
_RUNNING_MODEL_PCT = 2.0
_MODEL_PCT = ((2.5, 2.0), (0.8, 6.0), (0.0, 12.0))
"""(least duration of a start at full voltage [s], error of the model [%])."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FittedStart:
    """One start as recorded and as the fitted machine makes it. departure: None for those fitted on."""

    number: int
    began_at: Instant
    record: RecordedStart
    predicted_a: tuple[float, ...]
    departure: Departure | None


@dataclass(frozen=True, slots=True, kw_only=True)
class MotorFit:
    """The fit and what it was held against.

    Errors are half widths of 95 % intervals with the model's own error in them, in per cent. load_torque_ratio: at rated speed, x rated
    motor torque. left_out: number and reason.
    """

    starter: str
    fit: StartFit
    inertia_error_pct: float
    load_error_pct: float
    load_torque_ratio: float
    given_torque_ratio: float | None
    motor_inertia_kg_m2: float
    given_inertia_kg_m2: float
    fitted_on: tuple[FittedStart, ...]
    later: tuple[FittedStart, ...]
    left_out: tuple[tuple[int, str], ...]
    assumed: tuple[str, ...]
    answer: str

    @property
    def departing(self) -> tuple[FittedStart, ...]:
        """Return the later starts that depart from the fitted machine."""
        return tuple(each for each in self.later if each.departure is not None and each.departure.departs)

    @property
    def has_changed(self) -> bool:
        """Return whether most of the last starts depart: one alone may have met a machine that still turned."""
        last = self.later[-_LAST:]
        return len(last) >= _CHANGED and sum(1 for each in last if each in self.departing) >= _CHANGED


def refuse_without_current(starter: Starter, map_file: str) -> None:
    """Raise InputError when the map has no current: no start curve is then recorded, so nothing can be fitted."""
    if starter.signals.keys & {"current", *_PHASES}:
        return
    message = "no signal of the map is a current, so no start curve of this starter is recorded and nothing can be fitted"
    allowed = "a signal with the role current, or current_l1, current_l2, current_l3"
    raise InputError([Problem(file=map_file, field="signals", allowed=allowed, message=message)])


def recorded_start(curve: Curve, rated_voltage_v: float) -> RecordedStart:
    """Return the line current of a start curve (mean of the phases where there is no other) and the supply voltage in it.

    >>> curve = Curve(at_s=(0.0, 0.1), columns={"current": (300.0, None), "voltage": (392.0, 388.0)})
    >>> recorded_start(curve, 400.0)
    RecordedStart(at_s=(0.0,), line_current_a=(300.0,), supply_ratio=0.98)
    """
    phases = [curve.columns[key] for key in _PHASES if key in curve.columns]
    rows = zip(*phases, strict=True)
    column = curve.columns.get("current") or tuple(fmean(row) if None not in row else None for row in rows)
    known = [(at, value) for at, value in zip(curve.at_s, column, strict=True) if value is not None]
    supply = _supply_v(column, curve.columns.get("voltage", ())) / rated_voltage_v or 1.0
    # Rounded, so that starts at about the same voltage share one run-up of the model.
    supply = round(round(supply / _SUPPLY_STEP) * _SUPPLY_STEP, 4)
    return RecordedStart(
        at_s=tuple(at for at, _ in known),
        line_current_a=tuple(value for _, value in known),
        supply_ratio=supply if _SUPPLY[0] <= supply <= _SUPPLY[1] else 1.0,
    )


def _supply_v(currents: Sequence[float | None], volts: Sequence[float | None]) -> float:
    """Return the voltage weighted with the square of the current, 0 where none is known: what counts is how low it is while much flows."""
    pairs = [(amps**2, value) for amps, value in zip(currents, volts, strict=False) if amps is not None and value is not None]
    weight = sum(square for square, _ in pairs)
    return sum(square * value for square, value in pairs) / weight if weight > 0.0 else 0.0


def usable(starts: Sequence[Start], rated_voltage_v: float) -> tuple[list[tuple[Start, RecordedStart]], list[tuple[int, str]]]:
    """Return the starts that can be compared with a model, and those that cannot with the reason."""
    found: list[tuple[Start, RecordedStart]] = []
    left_out: list[tuple[int, str]] = []
    durations = [start.duration_s for start in starts if start.outcome is Outcome.AT_SPEED and start.duration_s is not None]
    usual_s = median(durations) if durations else 0.0
    for start in starts:
        reason = _why_not(start, usual_s)
        record = None if reason or start.curve is None else recorded_start(start.curve, rated_voltage_v)
        if record is not None and len(record.at_s) < _FEWEST_SAMPLES:
            reason = f"only {len(record.at_s)} samples"
        if reason or record is None:
            left_out.append((start.number, reason))
        else:
            found.append((start, record))
    return found, left_out


def _why_not(start: Start, usual_s: float) -> str:
    if start.outcome is not Outcome.AT_SPEED:
        return start.outcome.value.replace("_", " ")
    if start.curve is None:
        return "no curve"
    if start.quality is Quality.BAD:
        return f"bad record: {start.remark}"
    if start.duration_s is None or start.duration_s < _STILL_TURNING * usual_s:
        return "much shorter than the others: the machine still turned"
    return ""


def fit_motor(
    starter: Starter, file: Path, starts: Sequence[Start], *, fit_on: int = FIT_ON, tolerance_pct: float = TOLERANCE_PCT
) -> MotorFit:
    """Return the fit of a starter's motor to its starts, given oldest first; InputError when the site data or the starts do not do."""
    made = told_of_site(starter, file, lambda: starter_drive(starter))
    drive = told_of_site(starter, file, lambda: replace(made.drive, method=method_of(starter.device.method, starter.device, made.drive)))
    found, left_out = usable(starts, starter.motor.rated_voltage_v)
    if not found:
        reasons = "; ".join(sorted({reason for _, reason in left_out})) or "none is recorded"
        message = f"no recorded start of {starter.name} can be fitted: {reasons}"
        allowed = "one start to speed with its curve"
        raise InputError([Problem(file="store", found=f"{len(starts)} starts", allowed=allowed, message=message)])
    reference, later = found[:fit_on], found[fit_on:]
    try:
        fit = fit_starts(drive, [record for _, record in reference])
    except StartFitError as error:
        raise InputError([Problem(file="store", message=str(error))]) from error
    given = None if starter.load is None else starter.load.torque_ratio
    own = starter.motor.inertia_kg_m2 or typical_motor_inertia_kg_m2(made.nameplate.rated_power_w, made.nameplate.pole_pairs)
    at_speed = drive.load.torque_nm(1.0, 1e9) / made.nameplate.rated_torque_nm
    return _told(
        MotorFit(
            starter=starter.name,
            fit=fit,
            inertia_error_pct=hypot(
                fit.inertia_error_pct,
                _model_error_pct(starter, [start for start, _ in reference]),
                load_sensitivity(fit) * _RUNNING_MODEL_PCT,
            ),
            load_error_pct=hypot(fit.load_error_pct, _RUNNING_MODEL_PCT),
            load_torque_ratio=fit.load_ratio * at_speed,
            given_torque_ratio=given,
            motor_inertia_kg_m2=own,
            given_inertia_kg_m2=drive.inertia_kg_m2,
            fitted_on=tuple(_held(fit, start, record, None) for start, record in reference),
            later=tuple(_held(fit, start, record, tolerance_pct) for start, record in later),
            left_out=tuple(left_out),
            assumed=made.assumed,
            answer="",
        )
    )


def _model_error_pct(starter: Starter, starts: Sequence[Start]) -> float:
    """Return how far the quasi-steady model itself may be off in time, hence in inertia: by comparison with full dynamic models [%]."""
    if starter.device.method in (Method.SOFT_STARTER, Method.FREQUENCY_DRIVE):
        return 1.0
    shortest_s = min(start.duration_s or 0.0 for start in starts)
    return next(error for least_s, error in _MODEL_PCT if shortest_s >= least_s)


def _held(fit: StartFit, start: Start, record: RecordedStart, tolerance_pct: float | None) -> FittedStart:
    return FittedStart(
        number=start.number,
        began_at=start.began_at,
        record=record,
        predicted_a=tuple(float(value) for value in predicted_current_a(fit, record)),
        departure=None if tolerance_pct is None else departure(fit, record, tolerance_pct=tolerance_pct),
    )


def _told(found: MotorFit) -> MotorFit:
    return replace(found, answer=f"{_fit_words(found)} {_departure_words(found)}")


def _fit_words(found: MotorFit) -> str:
    fit = found.fit
    words = (
        f"Total inertia {fit.inertia_kg_m2:.3g} kg m2 +- {found.inertia_error_pct:.0f} %,"
        f" load torque at speed {found.load_torque_ratio:.2f} x rated +- {found.load_error_pct:.0f} %,"
        f" from {len(found.fitted_on)} start{'' if len(found.fitted_on) == 1 else 's'}."
    )
    if fit.determined:
        return words
    if fit.residual_flc > _POOR_FLC:
        missed = f"the model misses the recorded current by {fit.residual_flc:.2f} x FLC"
        return f"{words} Not to be relied on: {missed}; check method and settings."
    return f"{words} Not well determined: the records do not tell load from inertia (correlation {fit.correlation:.2f})."


def _departure_words(found: MotorFit) -> str:
    if not found.later:
        return "No later start to hold against it yet."
    departing, count = found.departing, len(found.later)
    later = f"{count} later start{'' if count == 1 else 's'}"
    if not departing:
        return f"None of {later} departs from it."
    verb = "departs" if len(departing) == 1 else "depart"
    last = departing[-1].departure
    change = "" if last is None or last.duration_pct is None else f" took {last.duration_pct:+.0f} % time,"
    heat = "" if last is None else f" {last.i2t_pct:+.0f} % I2t"
    words = f"{len(departing)} of {later} {verb} from it; start {departing[-1].number}{change}{heat}."
    return words if found.has_changed else f"{words} The last starts do not: it may have met a machine that still turned."


def as_json(found: MotorFit) -> Json:
    """Return the fit as JSON; errors are half widths of 95 % intervals."""
    fit = found.fit

    def told(each: FittedStart) -> Json:
        off = each.departure
        held: Json = {} if off is None else {
            "duration_pct": off.duration_pct, "i2t_pct": off.i2t_pct, "residual_flc": off.residual_flc, "departs": off.departs
        }  # fmt: skip
        return {"number": each.number, "began_at": to_iso(each.began_at), "supply_ratio": each.record.supply_ratio, **held}

    return {
        "starter": found.starter,
        "inertia_kg_m2": fit.inertia_kg_m2,
        "inertia_error_pct": found.inertia_error_pct,
        "motor_inertia_kg_m2": found.motor_inertia_kg_m2,
        "site_inertia_kg_m2": found.given_inertia_kg_m2,
        "load_torque_ratio": found.load_torque_ratio,
        "load_scale": fit.load_ratio,
        "load_error_pct": found.load_error_pct,
        "site_load_torque_ratio": found.given_torque_ratio,
        "correlation": fit.correlation,
        "residual_flc": fit.residual_flc,
        "determined": fit.determined,
        "fitted_on": [told(each) for each in found.fitted_on],
        "later": [told(each) for each in found.later],
        "left_out": [{"number": number, "reason": reason} for number, reason in found.left_out],
        "assumed": list(found.assumed),
        "has_changed": found.has_changed,
        "answer": found.answer,
    }
