"""A report on the invented plant: seven days up to 14:12, all motors."""

from __future__ import annotations

import pytest

from gateway.clock import HandClock
from gateway.instants import HOUR
from gateway.web.plant_time import PlantTime
from gateway.web.reports.content import MotorReport, Report
from gateway.web.reports.issue import issue_report
from gateway.web.reports.period import chosen_period
from tests.web.tarn_hollow import NOW, ZONE, FakePlant, tarn_hollow

TIME = PlantTime(ZONE)


@pytest.fixture
def plant() -> FakePlant:
    return tarn_hollow(HandClock(NOW))


def made(plant: FakePlant, *, chosen: str = "", issued_h_later: float = 0.0) -> Report:
    period = chosen_period("2026-03-06", "2026-03-12T14:12:00Z", ZONE, NOW)
    lasts = {name: motor.live.last_good_at for name, motor in plant.motors.items()}
    return issue_report(plant.site, plant.periods, period, lasts.get, NOW + round(issued_h_later * HOUR), chosen)


def motor(report: Report, name: str) -> MotorReport:
    return next(each for each in report.motors if each.name == name)
