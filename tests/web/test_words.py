"""Sentences: the answer first, figures in each, never "OK" when nothing is known."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from gateway.instants import MINUTE, SECOND
from gateway.motors.facts import LoadKind
from gateway.motors.reading import Quality
from gateway.motors.records import Budget, LimitName, LimitVerdict, Live, Outcome
from gateway.web.plant_time import PlantTime
from gateway.web.snapshot import MotorNow, Snapshot, take_snapshot
from gateway.web.usual import NOTHING_USUAL, Band, Usual
from gateway.web.words import (
    answer,
    explanation,
    freshness,
    limit_cell,
    look_first,
    next_start,
    now_line,
    number,
    page_sentence,
    percent,
    sentence,
    start_verdict,
    title_of,
)
from tests.web.tarn_hollow import NOW, ZONE, FakePlant, seen_start, starter_of, unseen_start

TIME = PlantTime(ZONE)


def verdict(**more: Any) -> LimitVerdict:
    given: dict[str, Any] = {
        "limit": LimitName.STARTER_RATING,
        "source": "IEC 60947-4-2",
        "starts_left": None,
        "next_start_at": NOW + 25 * MINUTE,
        "wait_s": 1500.0,
        "reason": "1781 s off after a start of 19 s",
        "holds": ((NOW - 5 * MINUTE, NOW + 25 * MINUTE),),
    }
    return LimitVerdict(**{**given, **more})


def budget(
    *, left: int | None = 1, quality: Quality = Quality.GOOD, reason: str = "", limits: tuple[LimitVerdict, ...] | None = None
) -> Budget:
    rows = (verdict(),) if limits is None else limits
    return Budget(
        as_of=NOW,
        starts_left=left,
        next_start_at=rows[0].next_start_at if rows else NOW,
        deciding_limit=rows[0].limit if rows else None,
        limits=rows,
        quality=quality,
        reason=reason,
    )


def motor(plant: FakePlant, name: str, held: Budget, **live: Any) -> MotorNow:
    row: Live = replace(plant.live(name), **live)
    return MotorNow(starter=plant.motors[name].starter, live=row, budget=held, alerts=())


def test_waiting(plant: FakePlant) -> None:
    it = motor(plant, "DC-01", budget())
    assert answer(it, TIME, NOW) == "May be started again at 14:37."
    said = explanation(it.live, it.budget, NOW).replace("\u00a0", " ")
    assert said == "The starter rating decides: 1781 s off after a start of 19 s. 25 min to wait."
    assert next_start(it.live, it.budget, TIME).main == "14:37"


def test_now(plant: FakePlant) -> None:
    free = verdict(next_start_at=NOW, wait_s=0.0, holds=())
    it = motor(plant, "DC-01", budget(left=2, limits=(free,)))
    assert answer(it, TIME, NOW) == "May be started now, 2 left."
    assert next_start(it.live, it.budget, TIME).main == "now, 2 left"
    assert "to wait" not in explanation(it.live, it.budget, NOW + SECOND)
    uncounted = budget(left=None, limits=(free,))
    assert next_start(it.live, uncounted, TIME).main == "now"
    assert answer(motor(plant, "DC-01", uncounted), TIME, NOW) == "May be started now."


def test_running_motor_tells_what_may_follow(plant: FakePlant) -> None:
    free = verdict(next_start_at=NOW, wait_s=0.0, holds=())
    assert answer(motor(plant, "RW-01", budget(left=1, limits=(free,))), TIME, NOW) == "Running. 1 more start may follow."
    assert answer(motor(plant, "RW-01", budget(left=None, limits=(free,))), TIME, NOW) == "Running. Another start may follow."


def test_an_off_time_of_a_running_motor_counts_from_its_stop(plant: FakePlant) -> None:
    rest = verdict(limit=LimitName.SITE_OFF_TIME, next_start_at=NOW + 5 * MINUTE, wait_s=300.0, holds=((NOW, NOW + 5 * MINUTE),))
    it = motor(plant, "RW-01", budget(limits=(rest,)))
    assert answer(it, TIME, NOW) == "Running. Once stopped, may be started again after 5 min."
    assert (next_start(it.live, it.budget, TIME).main, next_start(it.live, it.budget, TIME).note) == ("5 min", "off first, off time")
    assert "to wait" not in explanation(it.live, it.budget, NOW)


def test_not_known(plant: FakePlant) -> None:
    blind = Budget(as_of=NOW, starts_left=0, next_start_at=None, deciding_limit=None, limits=(), quality=Quality.BAD, reason="no readings")
    it = motor(plant, "BP-01", blind)
    assert answer(it, TIME, NOW) == "Not known when: no data since 13:58."
    assert explanation(it.live, blind, NOW) == "No readings."
    assert next_start(it.live, blind, TIME).main == "not known"
    assert answer(motor(plant, "BP-01", blind, last_good_at=None), TIME, NOW) == "Not known when: no data yet."


def test_never_and_no_limit(plant: FakePlant) -> None:
    never = budget(left=0, limits=(verdict(next_start_at=None, wait_s=None, holds=()),))
    it = motor(plant, "DC-01", never)
    assert answer(it, TIME, NOW) == "No start is permitted: starter rating as set."
    assert next_start(it.live, never, TIME).main == "never"
    free = budget(left=None, limits=())
    assert explanation(it.live, free, NOW).startswith("No limit is set for this motor")


def test_uncertain_says_so_everywhere(plant: FakePlant) -> None:
    it = motor(plant, "DC-01", budget(quality=Quality.UNCERTAIN, reason="no readings for 2 min, 1 start may be hidden there"))
    assert answer(it, TIME, NOW) == "May be started again at 14:37, uncertain."
    unsure = verdict(limit=LimitName.THERMAL_CAPACITY, next_start_at=NOW, certain=False)
    other = budget(quality=Quality.UNCERTAIN, limits=(verdict(), unsure))
    assert explanation(it.live, other, NOW).endswith("25\u00a0min\u00a0to\u00a0wait. Not certain: heat.")
    both = budget(quality=Quality.UNCERTAIN, limits=(verdict(certain=False), unsure))
    assert explanation(it.live, both, NOW).endswith("Not certain either: heat.")
    cell = next_start(it.live, it.budget, TIME)
    assert (cell.note, cell.certain) == ("rating, uncertain", False)


def test_limit_cells() -> None:
    held = budget()
    assert limit_cell(verdict(), held, TIME) == ("14:37", "decides")
    assert limit_cell(verdict(limit=LimitName.COLD_HOT, next_start_at=NOW, starts_left=2), held, TIME) == ("now", "2 left")
    assert limit_cell(verdict(limit=LimitName.COLD_HOT, next_start_at=NOW, certain=False), held, TIME) == ("now", "uncertain")
    assert limit_cell(verdict(next_start_at=None, certain=False), held, TIME) == ("not known", "")
    assert limit_cell(verdict(next_start_at=None), held, TIME)[0] == "never"
    to_come = verdict(next_start_at=NOW + 72 * SECOND, holds=((NOW, NOW + 72 * SECOND),))
    assert limit_cell(to_come, held, TIME, turns=True) == ("72 s", "after the stop, decides")
    assert limit_cell(to_come, held, TIME) == ("14:13", "decides")


def test_page_sentence(plant: FakePlant) -> None:
    whole = take_snapshot(plant, NOW)
    assert page_sentence(whole) == "2 motors need action, 2 need a look."
    plant.standing.clear()
    assert page_sentence(take_snapshot(plant, NOW)) == "All 12 motors as usual."
    assert page_sentence(replace(whole, motors=())) == "No motor in the site file."


def silent(snapshot: Snapshot, names: set[str]) -> Snapshot:
    motors = tuple(
        replace(entry, alerts=(), live=replace(entry.live, at=None) if entry.starter.name in names else entry.live)
        for entry in snapshot.motors
    )
    return replace(snapshot, motors=motors)


def test_no_data_is_never_all_well(plant: FakePlant) -> None:
    whole = take_snapshot(plant, NOW)
    every = {entry.starter.name for entry in whole.motors}
    assert page_sentence(silent(whole, every)) == "No data yet from any of the 12 motors."
    assert page_sentence(silent(whole, {"CV-01"})) == "No data yet from 1 motor of 12, the others as usual."
    one = replace(whole, motors=silent(whole, every).motors[:1])
    assert page_sentence(one) == "No data yet from the motor."


def test_page_sentence_with_one(plant: FakePlant) -> None:
    plant.standing = [alert for alert in plant.standing if alert.starter == "BP-01"]
    assert page_sentence(take_snapshot(plant, NOW)) == "1 motor needs a look."
    plant.standing = [replace(plant.standing[0], priority=1)]
    assert page_sentence(take_snapshot(plant, NOW)) == "1 motor needs action."


def test_verdict_of_a_start() -> None:
    starter = starter_of("DC-01", "fan", 45, 81, LoadKind.FAN)
    usual = Usual(count=30, duration_s=Band(11.2, 12.6), peak_ratio=Band(3.36, 3.48))
    long_one = seen_start(starter, 9, NOW, 19.6)
    assert start_verdict(long_one, usual) == "19.6 s, usual 11.2 to 12.6 s"
    assert start_verdict(seen_start(starter, 9, NOW, 12.0, peak_ratio=4.4), usual) == "peak 4.40 × FLC, usual 3.36 to 3.48"
    assert start_verdict(seen_start(starter, 9, NOW, 12.0), usual) == "as usual"
    assert start_verdict(seen_start(starter, 9, NOW, 12.0), NOTHING_USUAL) == "at speed"
    assert start_verdict(seen_start(starter, 9, NOW, 4.1, outcome=Outcome.ABORTED), usual) == "cut off by a stop command"
    assert start_verdict(unseen_start(9, NOW, NOW), usual) == "counted by the starter, not seen"


def test_look_first(plant: FakePlant) -> None:
    whole = take_snapshot(plant, NOW)
    dust = whole.motor("DC-01")
    assert dust is not None
    assert look_first(dust, NOTHING_USUAL) == "Look first: check the inlet damper."
    quiet = replace(dust, alerts=())
    assert (
        look_first(quiet, Usual(count=30, duration_s=Band(11.2, 12.6))) == "Look first: the last start took 19.6 s, usual 11.2 to 12.6 s."
    )
    assert look_first(quiet, NOTHING_USUAL) == ""


def test_freshness_and_now_line(plant: FakePlant) -> None:
    dust, booster = plant.live("DC-01"), plant.live("BP-01")
    assert freshness(dust, NOW, TIME) == "data 2 s old, good"
    assert freshness(booster, NOW, TIME) == "no data since 13:58: no link"
    assert freshness(replace(dust, quality=Quality.UNCERTAIN, reason="clock jumped"), NOW, TIME) == "data 2 s old, uncertain: clock jumped"
    assert freshness(replace(booster, last_good_at=None), NOW, TIME) == "no data yet: no link"
    assert now_line(dust, NOW, TIME, stale=False).startswith("stopped since 14:09; heat ")
    assert "× FLC" in now_line(plant.live("RW-01"), NOW, TIME, stale=False)
    assert now_line(booster, NOW, TIME, stale=True) == f"no data since 13:58: no link; heat {percent(booster.heat)} uncertain"
    assert "heat not known" in now_line(replace(dust, heat=None), NOW, TIME, stale=False)


@pytest.mark.parametrize(("value", "decimals", "text"), [(19.64, 1, "19.6"), (None, 1, "—"), (-2.0, 0, "−2"), (0.0, 2, "0.00")])
def test_number(value: float | None, decimals: int, text: str) -> None:
    assert number(value, decimals) == text


def test_small_words() -> None:
    assert sentence("") == ""
    assert percent(None) == "—"
    assert title_of(starter_of("X", "", 1, 2, LoadKind.PUMP)) == "pump"
