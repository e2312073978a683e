"""One moment of the plant, taken in the event loop in one go, so that a page or event never mixes two moments."""

from __future__ import annotations

from dataclasses import dataclass

from gateway.instants import Instant
from gateway.motors.alerts import Alert
from gateway.motors.facts import Starter
from gateway.motors.records import Budget, Live
from gateway.web.plant_time import PlantTime
from gateway.web.plant_view import PlantView


@dataclass(frozen=True, slots=True, kw_only=True)
class MotorNow:
    """One motor at the moment: what is known of it, its budget and its standing alerts, the most pressing first."""

    starter: Starter
    live: Live
    budget: Budget
    alerts: tuple[Alert, ...]

    @property
    def foremost(self) -> Alert | None:
        """The alert that speaks for the motor: active, priority 1 or 2, the most pressing; None when it may stay calm."""
        return next((alert for alert in self.alerts if alert.returned_at is None and alert.priority <= 2), None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Snapshot:
    """The plant at the instant `at`: motors in the order of the site file, alerts in the order of the alert list."""

    at: Instant
    site_name: str
    time: PlantTime
    motors: tuple[MotorNow, ...]
    alerts: tuple[Alert, ...]

    def motor(self, name: str) -> MotorNow | None:
        """Return the motor of that name, None when the site has no such starter."""
        return next((motor for motor in self.motors if motor.starter.name == name), None)


def alert_order(alert: Alert) -> tuple[int, bool, Instant, str]:
    """Return the sort key of the alert list: priority, then not yet acknowledged, then oldest; stable for equal keys."""
    return (alert.priority, alert.acknowledged_at is not None, alert.raised_at, alert.id)


def take_snapshot(plant: PlantView, now: Instant) -> Snapshot:
    """Return the plant as it is now; call it in the event loop only."""
    alerts = tuple(sorted(plant.standing_alerts(), key=alert_order))
    motors = []
    for entry in plant.site.starters:
        name = entry.starter.name
        own = tuple(alert for alert in alerts if alert.starter == name)
        motors.append(MotorNow(starter=entry.starter, live=plant.live(name), budget=plant.budget(name), alerts=own))
    return Snapshot(at=now, site_name=plant.site.name, time=PlantTime(plant.site.time_zone), motors=tuple(motors), alerts=alerts)
