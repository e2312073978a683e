"""The predicted start of one motor by every starting method: figures, curves and a verdict in plain words.

An estimate from catalogue data: quasi-steady, typical shapes. It says so, and what it had to assume. It also says where a gentle start
heats the motor more than a hard one, which it does whenever the load needs torque on the way up.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import isfinite

from gateway.machine.drive import Drive, Tally
from gateway.machine.feed import Method
from gateway.machine.frequency_drive import FrequencyDrive
from gateway.machine.methods import Autotransformer, PrimaryResistor, StarDelta
from gateway.machine.run_up import RunUp, RunUpOutcome, run_up
from gateway.machine.soft_starter import SoftStarter
from gateway.machine.starter_drive import method_of, starter_drive
from gateway.machine.steady_running import run_current_ratio
from gateway.motors.facts import Method as MethodName
from gateway.motors.facts import Starter

Json = dict[str, object]


@dataclass(frozen=True, slots=True, kw_only=True)
class MethodPrediction:
    """One start. Ratios are x FLC and x rated torque; sums run until the current has fallen for good, as a recorded start's do, or until
    the time is up.

    direct_heat_ratio: winding I2t over that of a direct start, None when either does not start.
    stall_capacity: winding I2t of this start over what locked rotor brings in the cold stall time; None when that time is not given.
    """

    method: MethodName
    settings: dict[str, float]
    own: bool
    """Whether this is the starter's own method."""
    outcome: RunUpOutcome
    time_to_95_pct_speed_s: float | None
    duration_s: float | None
    peak_line_current_ratio: float
    peak_winding_current_ratio: float
    line_i2t_flc2s: float
    winding_i2t_flc2s: float
    stator_heat_j: float
    rotor_heat_j: float
    winding_rise_k: float
    peak_torque_ratio: float
    direct_heat_ratio: float | None
    stall_capacity: float | None
    verdict: str
    curve: RunUp


@dataclass(frozen=True, slots=True, kw_only=True)
class Prediction:
    """All methods for one starter, with everything that was assumed.

    run_current_ratio: motor current at speed under full load, x FLC; None when the motor cannot carry its load at rated voltage.
    """

    starter: str
    assumed: tuple[str, ...]
    methods: tuple[MethodPrediction, ...]
    flc_a: float
    rated_speed_rad_s: float
    rated_torque_nm: float
    run_current_ratio: float | None

    def of(self, name: MethodName) -> MethodPrediction:
        """Return the prediction of one method."""
        return next(item for item in self.methods if item.method is name)


def predict(starter: Starter, *, supply_ratio: float = 1.0) -> Prediction:
    """Return the predicted start by every method, the starter's own first.

    MissingDatumError, NameplateError or ValueError name what is missing or cannot be.

    >>> from gateway.motors.facts import LoadData, LoadKind, MotorData
    >>> fan = Starter(name="DC-01", motor=MotorData(rated_power_kw=45, rated_voltage_v=400, flc_a=80.2, poles=4),
    ...     load=LoadData(kind=LoadKind.FAN, torque_ratio=0.9, inertia_kg_m2=10.0))
    >>> found = predict(fan)
    >>> [(item.method.value, item.outcome.value) for item in found.methods][:2]
    [('soft_starter', 'at_speed'), ('direct_on_line', 'at_speed')]
    """
    made = starter_drive(starter)
    own = starter.device.method
    names = [own, *(name for name in MethodName if name is not own)]
    limit_s = max(starter.thresholds.max_start_s, 60.0)
    runs: dict[MethodName, tuple[Drive, RunUp]] = {}
    for name in names:
        drive = replace(made.drive, method=method_of(name, starter.device, made.drive))
        runs[name] = (drive, run_up(drive, supply_ratio=supply_ratio, time_limit_s=limit_s, sample_s=0.01))
    torque_nm = made.nameplate.rated_torque_nm
    direct = runs[MethodName.DIRECT_ON_LINE][1]
    return Prediction(
        starter=starter.name,
        assumed=made.assumed,
        methods=tuple(_method(starter, name, *runs[name], direct, torque_nm) for name in names),
        flc_a=made.drive.flc_a,
        rated_speed_rad_s=made.drive.rated_speed_rad_s,
        rated_torque_nm=torque_nm,
        run_current_ratio=run_current_ratio(made.drive, supply_ratio),
    )


def _method(
    starter: Starter, name: MethodName, drive: Drive, curve: RunUp, direct: RunUp, rated_torque_nm: float
) -> MethodPrediction:
    flc, tally = drive.flc_a, until_up(curve)
    reached = curve.outcome is RunUpOutcome.AT_SPEED
    both = reached and direct.outcome is RunUpOutcome.AT_SPEED
    heat_ratio = tally.winding_i2t_a2s / until_up(direct).winding_i2t_a2s if both else None
    stall = starter.motor.cold_stall_s
    locked = drive.circuit.at(1.0).current_a
    return MethodPrediction(
        method=name,
        settings=settings_of(drive.method),
        own=name is starter.device.method,
        outcome=curve.outcome,
        time_to_95_pct_speed_s=curve.to_95_pct_s,
        duration_s=tally.elapsed_s if reached else None,
        peak_line_current_ratio=tally.peak_line_a / flc,
        peak_winding_current_ratio=tally.peak_winding_a / flc,
        line_i2t_flc2s=tally.line_i2t_a2s / flc**2,
        winding_i2t_flc2s=tally.winding_i2t_a2s / flc**2,
        stator_heat_j=tally.stator_heat_j,
        rotor_heat_j=tally.rotor_heat_j,
        winding_rise_k=float(curve.heat_k.max()),
        peak_torque_ratio=tally.peak_torque_nm / rated_torque_nm,
        direct_heat_ratio=heat_ratio,
        stall_capacity=None if stall is None else tally.winding_i2t_a2s / (locked**2 * stall),
        verdict=_verdict(drive, curve, heat_ratio, rated_torque_nm),
        curve=curve,
    )


def until_up(curve: RunUp) -> Tally:
    """Return the sums until the motor is up: a soft start's ramp may run on long after the current has fallen for good."""
    fell = curve.tally_when_current_fell
    up = curve.outcome is RunUpOutcome.AT_SPEED and fell is not None and curve.end.been_above
    return fell if up and fell is not None else curve.tally


def settings_of(method: Method) -> dict[str, float]:
    """Return a method's settings that matter to a start, as numbers by name.

    >>> settings_of(StarDelta(star_time_s=8.0))
    {'star_time_s': 8.0, 'open_gap_s': 0.05}
    """
    if isinstance(method, PrimaryResistor):
        return {"resistance_ohm": method.steps[0].resistance_ohm, "resistor_time_s": method.steps[-1].until_s}
    if isinstance(method, StarDelta):
        return {"star_time_s": method.star_time_s, "open_gap_s": method.open_gap_s}
    if isinstance(method, Autotransformer):
        return {"tap_ratio": method.tap_ratio, "tap_time_s": method.tap_time_s}
    if isinstance(method, SoftStarter):
        kick = {"kick_voltage_ratio": method.kick_voltage_ratio, "kick_time_s": method.kick_time_s} if method.kick_time_s else {}
        limit = {"current_limit_ratio": method.current_limit_ratio} if isfinite(method.current_limit_ratio) else {}
        return {"initial_voltage_ratio": method.initial_voltage_ratio, "ramp_time_s": method.ramp_time_s, **limit, **kick}
    if isinstance(method, FrequencyDrive):
        return {"ramp_time_s": method.ramp_time_s, "boost_ratio": method.boost_ratio, "current_limit_ratio": method.current_limit_ratio}
    return {}


def _verdict(drive: Drive, curve: RunUp, heat_ratio: float | None, rated_torque_nm: float) -> str:
    if curve.outcome is RunUpOutcome.AT_SPEED:
        return _verdict_at_speed(drive, curve, heat_ratio)
    last = int(curve.at_s.size) - 1
    current = curve.winding_current_a[last] / drive.flc_a
    motor, load = curve.torque_nm[last] / rated_torque_nm, curve.load_torque_nm[last] / rated_torque_nm
    if float(curve.speed_rad_s.max()) <= 0.0:
        return (
            f"does not reach speed: at {current:.1f} x FLC the motor gives {motor:.2f} of rated torque,"
            f" the load needs {load:.2f} to break away"
        )
    part = curve.speed_rad_s[last] / drive.rated_speed_rad_s
    return (
        f"does not reach speed: after {curve.at_s[last]:.0f} s it turns at {100 * part:.0f} % of rated speed,"
        f" where the motor gives {motor:.2f} of rated torque at {current:.1f} x FLC and the load takes {load:.2f}"
    )


def _verdict_at_speed(drive: Drive, curve: RunUp, heat_ratio: float | None) -> str:
    told = f"at speed in {curve.to_95_pct_s or 0.0:.1f} s, peak line current {until_up(curve).peak_line_a / drive.flc_a:.1f} x FLC"
    ends = drive.method.stage_ends_s
    if isinstance(drive.method, StarDelta) and curve.at_s.size:
        at_change = float(curve.speed_rad_s[curve.at_s <= ends[0]][-1]) / drive.rated_speed_rad_s
        if at_change < 0.02:
            told += "; does not break away in star, and starts as direct on line at the change-over"
        elif at_change < 0.75:
            told += f"; star reaches only {100 * at_change:.0f} % of rated speed, so the change-over hits nearly as hard as a direct start"
    if heat_ratio is None or 0.98 <= heat_ratio <= 1.02:
        return told
    if heat_ratio > 1.0:
        return f"{told}; heats the winding {heat_ratio:.2f} x as much as direct on line"
    return f"{told}; heats the winding only {heat_ratio:.2f} x as much as direct on line"


def as_json(prediction: Prediction) -> Json:
    """Return the prediction as the `predict --json` shape: ratios x FLC and x rated torque, None where a figure does not exist."""
    return {
        "starter": prediction.starter,
        "assumed": list(prediction.assumed),
        "run_current_ratio": prediction.run_current_ratio,
        "methods": [method_json(item) for item in prediction.methods],
    }


def method_json(item: MethodPrediction) -> Json:
    """Return one method of that shape."""
    return {
        "method": item.method.value,
        "settings": item.settings,
        "own": item.own,
        "outcome": item.outcome.value,
        "time_to_95_pct_speed_s": item.time_to_95_pct_speed_s,
        "duration_s": item.duration_s,
        "peak_line_current_ratio": item.peak_line_current_ratio,
        "peak_winding_current_ratio": item.peak_winding_current_ratio,
        "line_i2t_flc2s": item.line_i2t_flc2s,
        "winding_i2t_flc2s": item.winding_i2t_flc2s,
        "stator_heat_j": item.stator_heat_j,
        "rotor_heat_j": item.rotor_heat_j,
        "winding_rise_k": item.winding_rise_k,
        "peak_torque_ratio": item.peak_torque_ratio,
        "direct_heat_ratio": item.direct_heat_ratio,
        "stall_capacity": item.stall_capacity,
        "verdict": item.verdict,
    }
