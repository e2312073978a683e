"""Versions: a page is fetched anew when its pictures would differ, and only then."""

from __future__ import annotations

from dataclasses import replace

from gateway.clock import HandClock
from gateway.instants import SECOND
from gateway.motors.records import MotorState
from gateway.web.live import alerts_version, event_of, list_version
from gateway.web.motor_rows import ages_sentence, is_stale, motor_version, ordered_rows
from gateway.web.snapshot import Snapshot, take_snapshot
from tests.web.tarn_hollow import NOW, FakePlant


def moment(plant: FakePlant) -> Snapshot:
    return take_snapshot(plant, plant.now)


async def test_passing_seconds_change_no_version(plant: FakePlant, clock: HandClock) -> None:
    before = moment(plant)
    await clock.turn(20.0)
    after = moment(plant)
    assert list_version(before) == list_version(after)
    assert alerts_version(before) == alerts_version(after)
    assert event_of(before)["motors"]["BP-01"]["t"] == event_of(after)["motors"]["BP-01"]["t"]


def test_a_start_an_alert_and_a_state_change_do(plant: FakePlant) -> None:
    before = moment(plant)
    motor = plant.motors["RW-01"]
    held = motor.live
    motor.live = replace(held, total_starts=held.total_starts + 1)
    assert list_version(moment(plant)) != list_version(before)
    motor.live = replace(held, state=MotorState.STOPPED)
    assert list_version(moment(plant)) != list_version(before)
    motor.live = held
    assert list_version(moment(plant)) == list_version(before)
    plant.acknowledge(plant.standing[0].id, "me")
    assert alerts_version(moment(plant)) != alerts_version(before)
    assert motor_version(moment(plant).motors[2]) != motor_version(before.motors[2])


async def test_a_silent_motor_turns_stale_in_the_stream(plant: FakePlant, clock: HandClock) -> None:
    live = replace(plant.motors["RW-01"].live, last_good_at=NOW - 2 * SECOND)
    assert not is_stale(live, NOW)
    assert is_stale(live, NOW + 4 * SECOND)
    assert is_stale(replace(live, last_good_at=None), NOW)


def test_ages(plant: FakePlant) -> None:
    attention, calm = ordered_rows(moment(plant))
    rows = attention + calm
    assert ages_sentence(rows) == "data at most 2 s old; BP-01 14 min"
    gone = [replace(row, stale=True, age_s=None) for row in rows]
    assert ages_sentence(gone) == "CM-01 no data yet; DC-01 no data yet; 10 more without data"
    assert ages_sentence([]) == ""
