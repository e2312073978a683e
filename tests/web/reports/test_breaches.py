"""Starts before their time, by the rules of the budget; doubt accuses nobody."""

from __future__ import annotations

from dataclasses import replace

import pytest

from gateway.instants import HOUR, MINUTE, SECOND, Instant
from gateway.motors.facts import LimitSettings, MotorData, Starter, StarterData
from gateway.motors.reading import Quality
from gateway.motors.records import LimitName, Outcome, Start, Stop, StopKind
from gateway.web.reports.breaches import breaches_of, limits_in_force

MOTOR = MotorData(rated_power_kw=45, rated_voltage_v=400, flc_a=80)


def fan(**limits: float) -> Starter:
    per_hour = limits.get("starts_per_hour")
    settings = LimitSettings(starts_per_hour=None if per_hour is None else int(per_hour), off_time_s=limits.get("off_time_s"))
    return Starter(name="F-101", motor=MOTOR, limits=settings)


def start(number: int, minute: float, *, outcome: Outcome = Outcome.AT_SPEED, error_s: float = 0.05, heat: float = 0.1) -> Start:
    at = round(minute * MINUTE)
    return Start(
        number=number,
        began_at=at,
        ended_at=at + 9 * SECOND,
        outcome=outcome,
        began_error_s=error_s,
        duration_s=9.0,
        winding_i2t_flc2s=72.0,
        heat_before=heat,
        heat_after=heat + 0.1,
    )


def stop(minute: float) -> Stop:
    at = round(minute * MINUTE)
    return Stop(began_at=at, ended_at=at, kind=StopKind.COAST)


def found(starter: Starter, starts: list[Start], stops: list[Stop], from_at: Instant = 0) -> list[tuple[LimitName, int, float | None]]:
    breaches = breaches_of(starter, starts, stops, from_at)
    return [(each.limit, each.number, None if each.early_s is None else round(each.early_s)) for each in breaches]


def test_the_fourth_start_of_three_an_hour_is_too_early_by_the_rest_of_the_hour() -> None:
    starts = [start(1, 0), start(2, 10), start(3, 20), start(4, 45), start(5, 61)]
    # The fourth had to wait until 60 min after the first; the fifth until 60 min after the second.
    assert found(fan(starts_per_hour=3), starts, []) == [
        (LimitName.SITE_STARTS_PER_HOUR, 4, 900),
        (LimitName.SITE_STARTS_PER_HOUR, 5, 540),
    ]


def test_a_start_on_the_minute_is_permitted_and_its_error_speaks_for_it() -> None:
    assert found(fan(starts_per_hour=1), [start(1, 0), start(2, 60)], []) == []
    assert found(fan(starts_per_hour=1), [start(1, 0), start(2, 59.95, error_s=5.0)], []) == []
    assert found(fan(starts_per_hour=1), [start(1, 0), start(2, 59.95, error_s=1.0)], []) == [(LimitName.SITE_STARTS_PER_HOUR, 2, 2)]


def test_the_off_time_counts_from_the_stop_that_was_seen() -> None:
    starter = fan(off_time_s=600.0)
    assert found(starter, [start(1, 0), start(2, 30)], [stop(25)]) == [(LimitName.SITE_OFF_TIME, 2, 300)]
    assert found(starter, [start(1, 0), start(2, 30)], [stop(15)]) == []


def test_a_stop_that_was_not_seen_accuses_nobody() -> None:
    assert found(fan(off_time_s=600.0), [start(1, 0), start(2, 30)], []) == []


def test_an_unseen_start_counts_against_the_next_and_is_not_judged_itself() -> None:
    unseen = Start(number=2, began_at=5 * MINUTE, ended_at=10 * MINUTE, outcome=Outcome.UNSEEN, quality=Quality.BAD)
    assert found(fan(starts_per_hour=2), [start(1, 0), unseen, start(3, 20)], []) == [(LimitName.SITE_STARTS_PER_HOUR, 3, 2400)]


def test_only_starts_of_the_period_are_told_and_those_before_it_count() -> None:
    starts = [start(1, 0), start(2, 1), start(3, 20)]
    assert found(fan(starts_per_hour=1), starts, [], 10 * MINUTE) == [(LimitName.SITE_STARTS_PER_HOUR, 3, 2460)]


def test_the_rating_of_the_starter_and_heat_above_full() -> None:
    starter = Starter(name="F-101", motor=MOTOR, device=StarterData(rating="80 A: AC-53b: 3-10: 350"))
    hot = replace(start(2, 3), heat_after=1.04)
    told = breaches_of(starter, [start(1, 0), hot], [], 0)
    assert [(each.limit, each.number) for each in told] == [(LimitName.STARTER_RATING, 2), (LimitName.THERMAL_CAPACITY, 2)]
    assert told[1].reason == "heat 104 % after the start"
    assert told[1].early_s is None


def test_two_cold_one_hot_is_judged_by_the_heat_before_the_start() -> None:
    cold_hot = Starter(
        name="F-101", motor=replace(MOTOR, cold_stall_s=20.0, hot_stall_s=15.0, locked_rotor_ratio=6.0), limits=LimitSettings(cold_hot=True)
    )
    assert found(cold_hot, [start(1, 0, heat=0.0)], []) == []
    assert [limit for limit, _, _ in found(cold_hot, [start(1, 0, heat=0.9)], [])] == [LimitName.COLD_HOT]


def test_heat_that_is_not_known_accuses_nobody() -> None:
    cold_hot = Starter(name="F-101", motor=MOTOR, limits=LimitSettings(cold_hot=True))
    unknown = replace(start(1, 0), heat_before=None, heat_after=None)
    assert found(cold_hot, [unknown], []) == []


def test_each_limit_in_force_names_its_source() -> None:
    starter = Starter(
        name="F-101", motor=MOTOR, limits=LimitSettings(starts_per_hour=3, starts_per_hour_source="site rule SR-4", off_time_s=60.0)
    )
    assert [(each.limit, each.source) for each in limits_in_force(starter, HOUR)] == [
        (LimitName.SITE_STARTS_PER_HOUR, "site rule SR-4"),
        (LimitName.SITE_OFF_TIME, "site rule"),
    ]
    assert limits_in_force(fan(), 0) == ()


@pytest.mark.parametrize("rate", [0.5, 2.0])
def test_starts_an_hour_of_the_motor_data(rate: float) -> None:
    starter = Starter(name="F-101", motor=replace(MOTOR, starts_per_hour=rate))
    starts = [start(1, 0), start(2, 30), start(3, 50)]
    assert {number for _, number, _ in found(starter, starts, [])} == ({2, 3} if rate < 1 else {3})
