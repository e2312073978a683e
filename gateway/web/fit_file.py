"""A fit to recorded starts as one HTML file that is complete in itself."""

from __future__ import annotations

from zoneinfo import ZoneInfo

from markupsafe import Markup

from gateway.motors.facts import Starter
from gateway.services.motor_fit import FittedStart, MotorFit
from gateway.web.desk import STATIC, make_templates
from gateway.web.plant_time import PlantTime
from gateway.web.prediction_view import CAUTION
from gateway.web.shapes.fit_overlay import fit_overlay, overlay_scales
from gateway.web.words import with_signs

_MOST_LATER = 12


def fit_file(found: MotorFit, starter: Starter, zone: ZoneInfo) -> str:
    """Return the text of the file; of the later starts those that depart, else the last ones."""
    style = "".join((STATIC / name).read_text(encoding="utf-8") for name in ("style.css", "predict.css"))
    later = (found.departing or found.later)[-_MOST_LATER:]
    span_s, top = overlay_scales((*found.fitted_on, *later), starter.motor.flc_a)
    time = PlantTime(zone)

    def picture(each: FittedStart) -> Markup:
        local = time.local(each.began_at)
        title = f"start {each.number}, {local:%d %b %H:%M}"
        off = each.departure
        if off is not None:
            title += f": I²t {off.i2t_pct:+.0f} %" + ("" if off.duration_pct is None else f", time {off.duration_pct:+.0f} %")
        return fit_overlay(each, starter.motor.flc_a, span_s, top, title.replace("-", "\N{MINUS SIGN}"))

    departing, count = len(found.departing), len(found.later)
    later_title = f"Later starts that depart, {departing} of {count}" if departing else f"Last of {count} later starts"
    return make_templates().get_template("fit_file.html").render(
        name=found.starter,
        sentence=_sentence(found),
        facts=f"{starter.title}, {starter.motor.rated_power_kw:g} kW, {starter.motor.flc_a:g} A",
        answer=with_signs(found.answer).replace("+-", "±").replace("m2", "m²"),
        caution=CAUTION,
        fitted=[picture(each) for each in found.fitted_on],
        later=[picture(each) for each in later],
        later_title=later_title,
        notes=_notes(found),
        style=Markup(style),
    )


def _sentence(found: MotorFit) -> str:
    if not found.fit.determined:
        return f"{found.starter}: the starts do not determine load and inertia."
    if found.has_changed:
        return f"{found.starter} has changed: {len(found.departing)} of {len(found.later)} later starts depart."
    if found.departing:
        return f"{found.starter} starts as fitted, but for {len(found.departing)} of {len(found.later)} later starts."
    return f"{found.starter} starts as fitted."


def _notes(found: MotorFit) -> list[str]:
    notes = [f"Left out: start {number}, {reason}." for number, reason in found.left_out[:20]]
    if len(found.left_out) > 20:
        notes.append(f"{len(found.left_out) - 20} more starts were left out.")
    return notes + ([f"Not in the site file, typical values taken: {'; '.join(found.assumed)}."] if found.assumed else [])
