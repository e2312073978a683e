"""A forecast and a sweep as the words, figures and pictures of a page: the same for the web page and the file."""

from __future__ import annotations

from dataclasses import dataclass

from markupsafe import Markup

from gateway.machine.sweep import Fit, SweepPoint, gentleness
from gateway.motors.records import LimitName
from gateway.services.prediction import METHOD_WORDS, Forecast, MethodOutlook
from gateway.services.setting_sweep import SettingSweep, bound_words, setting_words
from gateway.services.setting_words import setting_texts
from gateway.web.shapes.run_curves import common_scales, run_curves
from gateway.web.shapes.sweep_map import sweep_map
from gateway.web.words import with_signs

CAUTION = "A prediction is an estimate from catalogue data. It replaces no protection and no maker's data."
QUESTION = "What would another starting method do to this motor, its load and its supply?"
NONE = "—"
_MOST_LINES = 12
LIMIT_WORDS = {
    LimitName.SITE_STARTS_PER_HOUR: "site rule",
    LimitName.SITE_OFF_TIME: "site off time",
    LimitName.STARTER_RATING: "starter rating",
    LimitName.MOTOR_DATA: "motor data",
    LimitName.NEMA_MG10: "NEMA MG 10",
    LimitName.COLD_HOT: "cold / hot",
    LimitName.THERMAL_CAPACITY: "thermal capacity",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class MethodLine:
    """One method as a line of the table."""

    method: str
    settings: str
    own: bool
    starts: bool
    time: str
    peak: str
    line_i2t: str
    winding_i2t: str
    rotor: str
    torque: str
    heat: str
    rate: str
    decides: str


@dataclass(frozen=True, slots=True, kw_only=True)
class MethodCard:
    """One method as a picture with its verdict."""

    method: str
    settings: str
    own: bool
    verdict: str
    pictures: tuple[Markup, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class RateCell:
    text: str
    decides: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class RateLine:
    """Starts an hour of one method, one cell a limit."""

    method: str
    own: bool
    cells: tuple[RateCell, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PredictionView:
    """Everything a page shows of a forecast."""

    name: str
    sentence: str
    question: str
    facts: str
    caution: str
    lines: tuple[MethodLine, ...]
    cards: tuple[MethodCard, ...]
    limits: tuple[str, ...]
    rates: tuple[RateLine, ...]
    duty: str
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SettingLine:
    settings: str
    time: str
    peak: str
    i2t: str
    heat: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepView:
    """Everything a page shows of a sweep."""

    answer: str
    bounds: str
    panels: tuple[Markup, ...]
    best: tuple[SettingLine, ...]


def prediction_view(forecast: Forecast) -> PredictionView:
    """Return what a page shows of a forecast."""
    starter = forecast.starter
    scales = common_scales(forecast.prediction)
    started = [outlook for outlook in forecast.methods if outlook.starts_per_hour]
    limits = [limit for limit in LimitName if any(limit in outlook.starts_per_hour for outlook in started)]
    run = f"{forecast.duty.run_s / 60:g} min" if forecast.duty.run_s >= 60 else f"{forecast.duty.run_s:g} s"
    return PredictionView(
        name=starter.name,
        sentence=_sentence(forecast),
        question=QUESTION,
        facts=f"{starter.title}, {starter.motor.rated_power_kw:g} kW, {starter.motor.flc_a:g} A",
        caution=CAUTION,
        lines=tuple(_line(outlook) for outlook in forecast.methods),
        cards=tuple(
            MethodCard(
                method=METHOD_WORDS[outlook.start.method].capitalize(),
                settings=_settings(outlook),
                own=outlook.start.own,
                verdict=outlook.verdict[0].upper() + with_signs(outlook.verdict[1:]),
                pictures=run_curves(forecast.prediction, outlook.start, scales, f"{METHOD_WORDS[outlook.start.method]}: {outlook.verdict}"),
            )
            for outlook in forecast.methods
        ),
        limits=tuple(LIMIT_WORDS[limit] for limit in limits),
        rates=tuple(_rate_line(outlook, limits) for outlook in started),
        duty=f"each with a run of {run} at {forecast.duty.run_ratio:.2f} × FLC",
        notes=tuple(with_signs(note) for note in _notes(forecast)),
    )


def _sentence(forecast: Forecast) -> str:
    own, name = forecast.own, forecast.starter.name
    start = own.start
    if own.heat is None or start.duration_s is None:
        return f"{name} would not reach speed."
    rate = own.permitted_per_hour
    words = f"{name} reaches speed in {start.time_to_95_pct_speed_s or 0.0:.1f} s at {start.peak_line_current_ratio:.1f} × FLC"
    return f"{words}, {rate:.1f} starts an hour." if rate is not None else f"{words}."


def _notes(forecast: Forecast) -> list[str]:
    notes, own = list(forecast.notes), forecast.own
    if own.assumed:
        notes.append(f"Not in the site file for its own method, typical value taken: {', '.join(own.assumed)}.")
    others = [outlook for outlook in forecast.methods if not outlook.start.own and outlook.assumed]
    if others:
        notes.append("Settings of the other methods are typical where the site file has none: timers change over at 85 % speed.")
    if forecast.prediction.assumed:
        notes.append(f"Not in the site file, typical values taken: {'; '.join(forecast.prediction.assumed)}.")
    notes.append(f"Thermal capacity: {forecast.thermal_source}. A long run at full load uses {100 * forecast.hot_used:.0f} % of it.")
    return notes


def _settings(outlook: MethodOutlook) -> str:
    return with_signs(", ".join(setting_texts(outlook.start.settings))).replace("ohm", "Ω")


def _line(outlook: MethodOutlook) -> MethodLine:
    start, rate = outlook.start, outlook.permitted_per_hour
    starts = outlook.heat is not None
    return MethodLine(
        method=METHOD_WORDS[start.method],
        settings=_settings(outlook),
        own=start.own,
        starts=starts,
        time=NONE if start.time_to_95_pct_speed_s is None or not starts else f"{start.time_to_95_pct_speed_s:.1f}",
        peak=f"{start.peak_line_current_ratio:.2f}",
        line_i2t=f"{start.line_i2t_flc2s:.0f}" if starts else NONE,
        winding_i2t=f"{start.winding_i2t_flc2s:.0f}" if starts else NONE,
        rotor=f"{start.rotor_heat_j / 1000:.0f}" if starts else NONE,
        torque=f"{start.peak_torque_ratio:.2f}",
        heat=NONE if outlook.heat is None else f"{100 * outlook.heat:.0f}",
        rate=NONE if rate is None else f"{rate:.1f}",
        decides=LIMIT_WORDS[outlook.deciding] if outlook.deciding is not None else "does not reach speed",
    )


def _rate_line(outlook: MethodOutlook, limits: list[LimitName]) -> RateLine:
    cells = []
    for limit in limits:
        rate = outlook.starts_per_hour.get(limit)
        cells.append(RateCell(text=NONE if rate is None else f"{rate:.1f}", decides=limit is outlook.deciding))
    return RateLine(method=METHOD_WORDS[outlook.start.method], own=outlook.start.own, cells=tuple(cells))


def sweep_view(found: SettingSweep) -> SweepView:
    """Return what a page shows of a sweep; the table has the gentlest settings only."""
    within = sorted((point for point in found.points if point.fit is Fit.WITHIN), key=gentleness)
    return SweepView(
        answer=with_signs(found.answer),
        bounds=with_signs(bound_words(found.bounds)),
        panels=tuple(sweep_map(found, limit) for limit in found.ranges.current_limits),
        best=tuple(_setting_line(point) for point in within[:_MOST_LINES]),
    )


def _setting_line(point: SweepPoint) -> SettingLine:
    return SettingLine(
        settings=with_signs(setting_words(point)),
        time=f"{point.duration_s or 0.0:.1f}",
        peak=f"{point.peak_line_current_ratio:.2f}",
        i2t=f"{point.winding_i2t_flc2s or 0.0:.0f}",
        heat=f"{100 * (point.heat or 0.0):.1f}",
    )
