"""The prediction as a user needs it: every starting method's start held against the thermal capacity and the limits of this motor.

Pure but for the site file's line numbers in messages. Heat of a start: its winding I2t against the start capacity of the thermal model
(`gateway.motors.thermal`). Starts an hour: what each limit permits for ever at a duty of start, run, stop (`gateway.motors.sustained`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from gateway.machine.prediction import MethodPrediction, Prediction, method_json, predict
from gateway.machine.prediction import as_json as prediction_json
from gateway.machine.run_up import RunUpOutcome
from gateway.machine.starter_drive import settings_not_given
from gateway.motors.facts import Method, Starter
from gateway.motors.history import LearnedStart
from gateway.motors.records import LimitName
from gateway.motors.starts_table import why_not
from gateway.motors.sustained import Duty, sustained_starts_per_hour
from gateway.motors.thermal import thermal_model
from gateway.services.site_data import told_of_site

Json = dict[str, object]

RUN_S = 600.0
"""Run between a start and the stop where the user says nothing; own choice."""
_SHORT_S = 1.0
_HOTTER = 1.02
METHOD_WORDS = {
    Method.DIRECT_ON_LINE: "direct on line",
    Method.STAR_DELTA: "star-delta",
    Method.AUTOTRANSFORMER: "autotransformer",
    Method.PRIMARY_RESISTOR: "primary resistor",
    Method.SOFT_STARTER: "soft starter",
    Method.FREQUENCY_DRIVE: "frequency drive",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class MethodOutlook:
    """One method: its predicted start, what it costs, what it permits.

    heat: thermal capacity used by one start, of 1; None when it does not reach speed. starts_per_hour: by limit. deciding: the lowest.
    assumed: settings for which a typical value stands in, by their name in the site file.
    """

    start: MethodPrediction
    heat: float | None
    starts_per_hour: dict[LimitName, float]
    deciding: LimitName | None
    verdict: str
    assumed: tuple[str, ...]

    @property
    def permitted_per_hour(self) -> float | None:
        """Return the starts an hour that the deciding limit permits, None when none is known."""
        return None if self.deciding is None else self.starts_per_hour[self.deciding]


@dataclass(frozen=True, slots=True, kw_only=True)
class Forecast:
    """Every method of one starter. notes: what the reader must know before using the figures; hot_used: heat of a long run, of 1."""

    starter: Starter
    prediction: Prediction
    duty: Duty
    methods: tuple[MethodOutlook, ...]
    thermal_source: str
    hot_used: float
    notes: tuple[str, ...]

    @property
    def own(self) -> MethodOutlook:
        """Return the starter's own method."""
        return self.methods[0]


def forecast(starter: Starter, file: Path, *, supply_ratio: float = 1.0, run_s: float = RUN_S) -> Forecast:
    """Return the prediction for a starter of a site file; InputError naming the entry of the file that is missing or cannot be."""
    return told_of_site(starter, file, lambda: _forecast(starter, supply_ratio, run_s))


def _forecast(starter: Starter, supply_ratio: float, run_s: float) -> Forecast:
    prediction = predict(starter, supply_ratio=supply_ratio)
    duty = Duty(run_s=run_s, run_ratio=prediction.run_current_ratio or 1.0)
    model = thermal_model(starter)
    methods = tuple(_outlook(starter, item, duty) for item in prediction.methods)
    return Forecast(
        starter=starter,
        prediction=prediction,
        duty=duty,
        methods=methods,
        thermal_source=model.source,
        hot_used=model.rated_used,
        notes=tuple(_notes(starter, prediction)),
    )


def _outlook(starter: Starter, item: MethodPrediction, duty: Duty) -> MethodOutlook:
    assumed = settings_not_given(item.method, starter.device)
    if item.outcome is not RunUpOutcome.AT_SPEED or item.duration_s is None:
        return MethodOutlook(start=item, heat=None, starts_per_hour={}, deciding=None, verdict=item.verdict, assumed=assumed)
    # The rating on the plate is that of the starter that is there, not of another kind put in its place.
    judged = starter if item.own else replace(starter, device=replace(starter.device, rating=None))
    heat = thermal_model(starter).start_heat(item.winding_i2t_flc2s)
    learned = LearnedStart(
        count=0, heat=heat, winding_i2t_flc2s=item.winding_i2t_flc2s, duration_s=item.duration_s, estimated=True
    )
    rates = sustained_starts_per_hour(judged, learned, duty)
    deciding = min(rates, key=lambda limit: rates[limit])
    verdict = f"{item.verdict}; a start takes {100 * heat:.0f} % of the thermal capacity"
    return MethodOutlook(start=item, heat=heat, starts_per_hour=rates, deciding=deciding, verdict=verdict, assumed=assumed)


def _notes(starter: Starter, prediction: Prediction) -> list[str]:
    own, direct = prediction.methods[0], prediction.of(Method.DIRECT_ON_LINE)
    notes = []
    for item in prediction.methods:
        if (item.own or item.method is Method.SOFT_STARTER) and item.direct_heat_ratio is not None and item.direct_heat_ratio > _HOTTER:
            rotor = item.rotor_heat_j / direct.rotor_heat_j
            notes.append(
                f"The {METHOD_WORDS[item.method]} start heats the motor more than direct on line: winding {item.direct_heat_ratio:.2f} x,"
                f" rotor {rotor:.2f} x. It spares the supply and the machine, not the motor."
            )
    star = prediction.of(Method.STAR_DELTA)
    if own is star:
        notes.append(
            f"In star the winding carries 1.73 x what the line shows: {star.winding_i2t_flc2s:.0f} FLC2 s in the winding,"
            f" {star.line_i2t_flc2s:.0f} in the line. A protection in the line sees too little."
        )
    if prediction.run_current_ratio is None:
        notes.append("The load is more than the motor can carry at rated speed; the run is taken at 1 x FLC.")
    elif prediction.run_current_ratio > 1.0 + 1e-3:
        notes.append(f"At speed the load takes {prediction.run_current_ratio:.2f} x FLC: the motor is overloaded.")
    if direct.duration_s is not None and direct.duration_s < _SHORT_S:
        notes.append(
            f"A direct start of {direct.duration_s:.1f} s is short: the model leaves the first cycles out, so time and I2t may be"
            " 5 to 17 % low."
        )
    if starter.limits.cold_hot:
        notes.append("Two starts cold, one hot (NEMA MG 1 12.54, IEC 60034-12) is no hourly figure and is not in the table.")
    if starter.limits.nema_mg10 and why_not(starter):
        notes.append(f"NEMA MG 10 says nothing here: {why_not(starter)}.")
    return notes


def as_json(forecast: Forecast) -> Json:
    """Return the forecast as the `predict --json` shape; instants and percent do not occur, ratios are x FLC and x rated torque."""
    return {
        **prediction_json(forecast.prediction),
        "duty": {"run_s": forecast.duty.run_s, "run_current_ratio": forecast.duty.run_ratio},
        "thermal_source": forecast.thermal_source,
        "hot_used": forecast.hot_used,
        "notes": list(forecast.notes),
        "methods": [
            {
                **method_json(outlook.start),
                "verdict": outlook.verdict,
                "heat": outlook.heat,
                "starts_per_hour": {limit.value: rate for limit, rate in outlook.starts_per_hour.items()},
                "permitted_starts_per_hour": outlook.permitted_per_hour,
                "deciding_limit": None if outlook.deciding is None else outlook.deciding.value,
                "assumed_settings": list(outlook.assumed),
            }
            for outlook in forecast.methods
        ],
    }
