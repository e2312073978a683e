"""The ledger against a device that counts: ways of counting, missed starts, wraps, resets, torn words; totals are exact or flagged."""

from __future__ import annotations

import random
from dataclasses import dataclass, replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.instants import HOUR, SECOND, Instant
from gateway.motors.counter import BURST, Counter, possible_starts
from gateway.motors.facts import Starter
from gateway.motors.ledger import KEEP, LEAD_S, Ledger
from gateway.motors.reading import Flaw, Quality, Reading, Scalar
from gateway.motors.records import CounterReset, Event, Outcome, Start, UnseenStarts
from gateway.motors.watch import Watch
from tests.motors.strips import FLC_A, fold, starter, starts_in

# The counter by itself.


@pytest.mark.parametrize(
    ("values", "wraps_at", "starts"),
    [
        ([65530, 65531, 65532], 65536, 2),
        ([65534, 0], 65536, 2),
        ([65530, 5, 5], 65536, 11),
        ([2**32 - 1, 0], 2**32, 1),
        ([2**32 - 3, 4, 4], 2**32, 7),
        ([99, 0], 100, 1),
        ([250, 3], 256, None),
    ],
)
def test_a_counter_counts_and_wraps(values: list[int], wraps_at: int, starts: int | None) -> None:
    counter = Counter()
    counted = [counter.take(value, index * 60 * SECOND, wraps_at) for index, value in enumerate(values)]
    assert sum(item.starts for item in counted if item is not None) == (starts or 0)
    assert all(item is None or item.reset is None for item in counted)


@pytest.mark.parametrize(
    ("values", "reason", "starts"),
    [
        ([40000, 0, 0], "the counter was set back to 0", 0),
        ([40000, 2, 3], "the counter was set back to 0", 3),
        ([40000, 39990, 39990], "the counter went back", 0),
        ([300, 9000, 9000], "the counter jumped further than starts are possible", 0),
        ([9000, 300, 300], "the counter went back", 0),
    ],
)
@pytest.mark.parametrize("wraps_at", [None, 65536, 2**32])
def test_a_reset_is_told_and_counts_what_came_since(values: list[int], reason: str, starts: int, wraps_at: int | None) -> None:
    counter = Counter()
    counted = [counter.take(value, index * SECOND, wraps_at) for index, value in enumerate(values)]
    (reset,) = [item for item in counted if item is not None]
    assert (reset.reset, reset.starts, reset.before) == (reason, starts, values[0])
    assert counter.value == values[-1]


@pytest.mark.parametrize("torn", [131071, 65536 * 2, 0, 65535 + 65536])
def test_torn_words_are_not_believed(torn: int) -> None:
    """Low and high word read on two sides of a carry: 65535 -> 65536."""
    counter = Counter()
    counted = [counter.take(value, index * SECOND, 2**32) for index, value in enumerate([65535, torn, 65536, 65536])]
    assert [item.starts for item in counted if item is not None] == [1]


def test_a_large_rise_must_stand_twice() -> None:
    counter = Counter()
    assert counter.take(10, 0, None) is None
    assert counter.take(14, 60 * SECOND, None) is None
    counted = counter.take(15, 61 * SECOND, None)
    assert counted is not None
    assert (counted.starts, counted.from_at, counted.to_at) == (5, 0, 61 * SECOND)


def test_silence_long_enough_for_a_whole_turn_is_flagged() -> None:
    counter = Counter()
    counter.take(10, 0, 100)
    counted = counter.take(12, HOUR, 100)
    assert counted is not None
    assert counted.starts == 2
    assert counted.reset is not None


def test_possible_starts_never_falls_below_a_burst() -> None:
    assert possible_starts(-5.0) == possible_starts(0.0) == BURST


# Matching.


def counted(ledger: Ledger, *values: tuple[float, int]) -> list[Event]:
    return [event for at_s, value in values for event in ledger.count(value, round(at_s * SECOND), None)]


def settled(ledger: Ledger, at_s: float) -> tuple[Start, ...]:
    unseen = ledger.settle(round(at_s * SECOND))
    return () if unseen is None else unseen.starts


@pytest.mark.parametrize("counts_at_s", [5.0, 9.5, 10.0, 12.0, 24.0])
def test_a_start_counted_early_or_late_is_one_start(counts_at_s: float) -> None:
    ledger = Ledger()
    counted(ledger, (0.0, 7))
    began = False
    for tenth in range(1, 600):
        at_s = tenth / 10
        counted(ledger, (at_s, 7 + (at_s >= counts_at_s)))
        if at_s >= 10.0 and not began:
            assert ledger.begin(round(at_s * SECOND)) == 1
            began = True
        if at_s == 19.0:
            ledger.end(Start(number=1, began_at=10 * SECOND, ended_at=19 * SECOND, outcome=Outcome.AT_SPEED))
        assert settled(ledger, at_s) == ()
    assert (ledger.total, ledger.unseen) == (1, 0)


def test_a_count_without_a_start_becomes_unseen_after_a_while() -> None:
    ledger = Ledger()
    counted(ledger, (0.0, 7), (1.0, 8))
    assert len(ledger.pending()) == 1
    assert ledger.due_at() == (1 + LEAD_S) * SECOND
    assert settled(ledger, 1.0 + LEAD_S) == ()
    (start,) = settled(ledger, 1.1 + LEAD_S)
    assert (start.number, start.began_at, start.ended_at, start.outcome) == (1, 0, SECOND, Outcome.UNSEEN)
    assert ledger.pending() == ()
    assert ledger.due_at() is None


def test_after_a_gap_unseen_starts_are_entered_and_the_gap_is_explained() -> None:
    ledger = Ledger()
    counted(ledger, (0.0, 7))
    ledger.gap(0, 600 * SECOND)
    assert ledger.open_gaps == [(0, 600 * SECOND)]
    counted(ledger, (600.0, 9))
    assert ledger.open_gaps == []
    assert len(settled(ledger, 600.1 + LEAD_S)) == 2
    assert ledger.unexplained == []


def test_a_start_soon_after_a_gap_is_not_taken_for_one_missed_in_it() -> None:
    ledger = Ledger()
    counted(ledger, (0.0, 7))
    ledger.gap(0, 60 * SECOND)
    counted(ledger, (60.0, 11), (61.0, 11))
    # Every start from here on is counted just before it is recognised, and comes sooner than the missed ones are entered.
    for number, at_s in enumerate((72.0, 84.0, 96.0)):
        counted(ledger, (at_s - 1.0, 11 + number), (at_s, 12 + number))
        ledger.begin(round((at_s + 0.2) * SECOND))
        ledger.end(Start(number=ledger.total, began_at=round(at_s * SECOND), ended_at=round((at_s + 4) * SECOND), outcome=Outcome.AT_SPEED))
        unseen = settled(ledger, at_s + 8.0)
        assert len(unseen) == (4 if number == 0 else 0)
        assert all(start.ended_at <= 61 * SECOND for start in unseen)
    assert (ledger.total, ledger.unseen, ledger.pending()) == (7, 4, ())


def test_a_gap_without_a_counter_stays_unexplained_for_a_day() -> None:
    ledger = Ledger()
    ledger.gap(0, 600 * SECOND)
    assert ledger.unexplained == [(0, 600 * SECOND)]
    ledger.begin(700 * SECOND)
    ledger.forget(KEEP)
    assert len(ledger.unexplained) == len(ledger.entries) == 1
    ledger.forget(KEEP + 601 * SECOND)
    assert ledger.unexplained == []
    ledger.forget(KEEP + 701 * SECOND)
    assert ledger.entries == []
    assert ledger.total == 1


def test_a_start_proved_by_a_gap_is_not_counted_twice() -> None:
    for counter_first in (True, False):
        ledger = Ledger()
        counted(ledger, (0.0, 7))
        ledger.gap(0, 60 * SECOND)
        if counter_first:
            counted(ledger, (60.0, 8))
            ledger.miss(0, 60 * SECOND)
        else:
            ledger.miss(0, 60 * SECOND)
            counted(ledger, (60.0, 8))
        assert settled(ledger, 1000.0) == ()
        assert (ledger.total, ledger.unseen) == (1, 1)


def test_a_start_that_the_device_never_counts_does_not_hide_a_later_one() -> None:
    ledger = Ledger()
    counted(ledger, (0.0, 7))
    ledger.begin(10 * SECOND)
    ledger.end(Start(number=1, began_at=10 * SECOND, ended_at=12 * SECOND, outcome=Outcome.ABORTED))
    counted(ledger, *((float(at_s), 7) for at_s in range(12, 60)), (60.0, 8))
    assert len(settled(ledger, 100.0)) == 1
    assert ledger.total == 2


def test_a_reset_leaves_the_time_unexplained() -> None:
    ledger = Ledger()
    (event,) = counted(ledger, (0.0, 40000), (10.0, 0), (11.0, 0))
    assert isinstance(event, CounterReset)
    assert (event.before, event.after) == (40000, 0)
    assert ledger.unexplained == [(0, 11 * SECOND)]


def test_learned_marks_follow_the_last_word_on_a_start() -> None:
    ledger = Ledger()
    number = ledger.begin(0)
    for i2t in (80.0, 90.0):
        ledger.end(Start(number=number, began_at=0, ended_at=9 * SECOND, outcome=Outcome.AT_SPEED, duration_s=9.0, winding_i2t_flc2s=i2t))
    assert [mark.winding_i2t_flc2s for mark in ledger.learned] == [90.0]
    assert len(ledger.entries) == 1
    for _ in range(20):
        ledger.end(Start(number=ledger.begin(0), began_at=0, ended_at=1, outcome=Outcome.AT_SPEED, duration_s=9.0, winding_i2t_flc2s=1.0))
    assert len(ledger.learned) == 10


# Against the truth.


@dataclass(frozen=True)
class Run:
    began_at: Instant
    speed_at: Instant
    off_at: Instant


def life(draw: random.Random, missable: bool) -> list[Run]:
    """Return the runs of a motor: starts of 1 to 6 s, some far too short to be seen, some straight after another."""
    runs, at = [], 8 * SECOND
    for _ in range(draw.randrange(2, 14)):
        ramp = draw.randrange(1_000_000, 6_000_000)
        on = ramp + draw.choice([1, 10, 60]) * draw.randrange(500_000, 2_000_000)
        if missable and draw.random() < 0.25:
            ramp = on = draw.randrange(150_000, 400_000)
        runs.append(Run(at, at + ramp, at + on))
        at += on + draw.choice([2, 10, 90]) * draw.randrange(1_000_000, 2_000_000)
    return runs


@dataclass(frozen=True)
class Device:
    """How a device counts: when, from what value, with what range."""

    counts: str
    first: int
    wraps_at: int

    def count(self, runs: list[Run], at: Instant) -> int:
        lead = {"command": -3 * SECOND, "begin": 0}.get(self.counts, 0)
        moments = [run.speed_at if self.counts == "speed" else run.began_at + lead for run in runs]
        return (self.first + sum(1 for moment in moments if moment <= at)) % self.wraps_at


def reading_at(runs: list[Run], device: Device, at: Instant, torn: bool) -> Reading:
    run = next((run for run in runs if run.began_at <= at < run.off_at), None)
    ratio = 0.0 if run is None else 5.0 if at < run.speed_at else 0.9
    count = device.count(runs, at)
    if torn:
        count = (count + 65536) % device.wraps_at if device.wraps_at > 65536 else count
    values: dict[str, Scalar] = {"current": ratio * FLC_A, "start_count": count}
    return Reading(at, values)


def polled(draw: random.Random, runs: list[Run], device: Device, gaps: int, torn_share: float) -> list[Reading]:
    until = runs[-1].off_at + 40 * SECOND
    holes = [(begin, begin + draw.randrange(6, 300) * SECOND) for begin in (draw.randrange(5 * SECOND, until) for _ in range(gaps))]
    blind = draw.random() < 0.5
    readings: list[Reading] = []
    at, last_torn = 0, False
    while at < until + 400 * SECOND:
        hidden = any(begin <= at < end for begin, end in holes)
        if not hidden:
            torn = not last_torn and at > 0 and draw.random() < torn_share
            readings.append(reading_at(runs, device, at, torn))
            last_torn = torn
        elif blind:
            readings.append(Reading(at, {}, {"current": Flaw(Quality.BAD, "no answer"), "start_count": Flaw(Quality.BAD, "no answer")}))
        at += draw.choice([100_000, 500_000, 1_000_000])
    return readings


WAYS = {
    "seed": st.integers(0, 2**32),
    "counts": st.sampled_from(["command", "begin", "speed"]),
    "first": st.sampled_from([0, 17, 65530, 2**32 - 4]),
    "wide": st.booleans(),
    "gaps": st.integers(0, 3),
    "torn": st.sampled_from([0.0, 0.02]),
}
RESETS = {
    "seed": st.integers(0, 2**32),
    "counts": st.sampled_from(["command", "begin", "speed"]),
    "to": st.sampled_from([0, 3, 30000]),
}


@settings(max_examples=150, deadline=None, derandomize=True)
@given(**WAYS)
def test_totals_are_exact_whatever_was_missed(seed: int, counts: str, first: int, wide: bool, gaps: int, torn: float) -> None:
    totals_are_exact(seed, counts, first, wide, gaps, torn)


@pytest.mark.slow
@settings(max_examples=3000, deadline=None)
@given(**WAYS)
def test_totals_are_exact_at_length(seed: int, counts: str, first: int, wide: bool, gaps: int, torn: float) -> None:
    totals_are_exact(seed, counts, first, wide, gaps, torn)


def totals_are_exact(seed: int, counts: str, first: int, wide: bool, gaps: int, torn: float) -> None:
    """Hold the ledger of one random life against the truth."""
    draw = random.Random(seed)
    device = Device(counts, first % 2**32 if wide else first % 65536, 2**32 if wide else 65536)
    runs = life(draw, missable=True)
    facts = starter_counting(device)
    watch = Watch(facts)
    events = fold(watch, polled(draw, runs, device, gaps, torn))
    starts = starts_in(events)
    assert not [event for event in events if isinstance(event, CounterReset)], "nothing was reset"
    assert len(starts) == watch.live().total_starts == len(runs)
    assert [start.number for start in starts] == list(range(1, len(runs) + 1))


@settings(max_examples=100, deadline=None, derandomize=True)
@given(**RESETS)
def test_a_reset_never_loses_a_seen_start_and_is_flagged(seed: int, counts: str, to: int) -> None:
    a_reset_is_flagged(seed, counts, to)


@pytest.mark.slow
@settings(max_examples=2000, deadline=None)
@given(**RESETS)
def test_a_reset_at_length(seed: int, counts: str, to: int) -> None:
    a_reset_is_flagged(seed, counts, to)


def a_reset_is_flagged(seed: int, counts: str, to: int) -> None:
    """The device is replaced, or its counter cleared, at a random moment: no start is counted twice, and what may be missing is said."""
    draw = random.Random(seed)
    runs = life(draw, missable=False)
    device = Device(counts, 41000, 65536)
    swap_at = draw.randrange(5 * SECOND, runs[-1].off_at)
    base = device.count(runs, swap_at)
    readings = []
    for reading in polled(draw, runs, device, draw.randrange(0, 2), 0.0):
        count = reading.number("start_count")
        if count is None or reading.at < swap_at:
            readings.append(reading)
        else:
            readings.append(Reading(reading.at, {**reading.values, "start_count": to + int(count) - base}))
    watch = Watch(starter_counting(device))
    events = fold(watch, readings)
    resets = [event for event in events if isinstance(event, CounterReset)]
    assert len(resets) == 1
    total = watch.live().total_starts
    # What may be missing is what began in the time that is said to be unexplained.
    spans = watch.history().unexplained
    hidden = sum(1 for run in runs if any(from_at <= run.began_at <= to_at for from_at, to_at in spans))
    assert len(runs) - hidden <= total
    # A device that showed up with `to` starts may have made them since the last reading: they are entered, and flagged by the reset.
    assert total <= len(runs) + to % 30000
    assert spans


def starter_counting(device: Device) -> Starter:
    facts = starter()
    return replace(facts, signals=replace(facts.signals, start_count_wraps_at=device.wraps_at))


def test_unseen_starts_are_told_with_bounds_and_charged() -> None:
    readings = [Reading(second * SECOND, {"current": 0.0, "start_count": 5}) for second in range(20)]
    readings += [Reading(second * SECOND, {"current": 0.0, "start_count": 7}) for second in range(600, 640)]
    watch = Watch(starter())
    events = fold(watch, readings[:21])
    during = watch.history()
    assert [mark.outcome for mark in during.marks] == [Outcome.UNSEEN] * 2, "already before they are entered"
    events += fold(watch, readings[21:])
    (unseen,) = [event for event in events if isinstance(event, UnseenStarts)]
    assert [(start.began_at, start.ended_at) for start in unseen.starts] == [(19 * SECOND, 600 * SECOND)] * 2
    assert unseen.at == 616 * SECOND
    live = watch.live()
    assert (live.starts_last_hour, live.unseen_last_hour, live.total_starts) == (2, 2, 2)
    after = watch.history()
    assert after.off_since == 600 * SECOND, "the motor may have stopped as late as that"
    assert after.heat.certain is False
