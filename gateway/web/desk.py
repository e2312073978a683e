"""What every route is given: the plant, the clock, the templates, the shelf of recent starts and the hub of streams."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import quote

from fastapi import HTTPException
from jinja2 import Environment, PackageLoader, StrictUndefined
from starlette.responses import HTMLResponse

from gateway.clock import Clock
from gateway.web.past import PastShelf
from gateway.web.places import PLACES, QUESTIONS
from gateway.web.plant_view import PlantView
from gateway.web.predicted import CurveShelf
from gateway.web.snapshot import MotorNow, Snapshot, take_snapshot
from gateway.web.stream import Hub
from gateway.web.typed_day import DAY_HINT, DAY_PATTERN
from gateway.web.words import CAUTION, with_signs

STATIC = Path(__file__).parent / "static"


def make_templates() -> Environment:
    """Return the environment that renders every page."""
    environment = Environment(
        loader=PackageLoader("gateway.web"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        auto_reload=False,
    )
    environment.filters["signs"] = with_signs
    environment.globals["caution"] = CAUTION
    environment.globals["asset"] = asset
    environment.globals["motor_url"] = motor_url
    environment.globals["places"] = PLACES
    environment.globals["questions"] = QUESTIONS
    environment.globals["day_pattern"] = DAY_PATTERN
    environment.globals["day_hint"] = DAY_HINT
    return environment


def motor_url(name: str, tail: str = "") -> str:
    """Return the address of a motor's page; every character that could mean something in an address is escaped."""
    return f"/motors/{quote(name, safe='')}{tail}"


def asset(name: str) -> str:
    """Return the address of a static file with a mark of its content, so that a browser never shows yesterday's script."""
    digest = hashlib.blake2s((STATIC / name).read_bytes(), digest_size=4).hexdigest()
    return f"/static/{name}?v={digest}"


@dataclass(frozen=True)
class Desk:
    """Shared by all routes of one application."""

    plant: PlantView
    clock: Clock
    hub: Hub
    shelf: PastShelf
    curves: CurveShelf
    handbook: Path
    templates: Environment

    def snapshot(self) -> Snapshot:
        """Return the plant as it is now; in the event loop only."""
        return take_snapshot(self.plant, self.clock.now())

    def motor(self, snapshot: Snapshot, name: str) -> MotorNow:
        """Return the motor of that name; a 404 in plain words when the site has none."""
        motor = snapshot.motor(name)
        if motor is None:
            raise HTTPException(404, f"The site file has no motor of that name. It has: {self._names(snapshot)}.")
        return motor

    @staticmethod
    def _names(snapshot: Snapshot) -> str:
        names = [motor.starter.name for motor in snapshot.motors]
        return ", ".join(names[:12]) + (f" and {len(names) - 12} more" if len(names) > 12 else "") if names else "none"

    def page(self, template: str, snapshot: Snapshot, *, here: str, status: int = 200, **facts: object) -> HTMLResponse:
        """Return a rendered page; `here` is the entry of the navigation it belongs to."""
        unseen = [alert.priority for alert in snapshot.alerts if alert.acknowledged_at is None]
        frame = {
            "site": snapshot.site_name,
            "here": here,
            "clock": snapshot.time.clock(snapshot.at),
            "date": snapshot.time.date(snapshot.at),
            "zone": snapshot.time.zone_text(snapshot.at),
            "alert_count": len(snapshot.alerts),
            "unseen_priority": min(unseen, default=0),
            "now": snapshot.at,
            "time": snapshot.time,
        }
        return HTMLResponse(self.templates.get_template(template).render(frame | facts), status_code=status)


def make_desk(plant: PlantView, clock: Clock, hub: Hub, handbook: Path) -> Desk:
    """Return the desk of an application."""
    return Desk(
        plant=plant,
        clock=clock,
        hub=hub,
        shelf=PastShelf(plant),
        curves=CurveShelf(),
        handbook=handbook,
        templates=make_templates(),
    )
