"""The schedule of one link: even spacing, no burst, nobody starves."""

from __future__ import annotations

from collections import Counter

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.services.turns import Turn, Turns, next_deadline, phase


@given(st.floats(0, 1e6), st.floats(0, 1e4), st.floats(0.01, 100))
def test_the_next_deadline_is_the_first_of_the_series_after_now(previous_s: float, late_s: float, interval_s: float) -> None:
    now_s = previous_s + late_s
    due_s, missed = next_deadline(previous_s, now_s, interval_s)
    slack = 1e-6 * max(1.0, now_s)
    assert now_s - slack <= due_s <= now_s + interval_s + slack
    assert due_s == pytest.approx(previous_s + (missed + 1) * interval_s)


def test_a_turn_taken_early_moves_on_by_one_interval() -> None:
    assert next_deadline(10.0, 9.99, 1.0) == (11.0, 0)


def test_phases_are_spread_over_the_interval_however_many_there_are() -> None:
    for count in (2, 5, 12, 100):
        places = sorted(phase(place) for place in range(count))
        gaps = [later - earlier for earlier, later in zip(places, [*places[1:], places[0] + 1], strict=True)]
        assert min(gaps) > 0.3 / count


def _run(turns: dict[str, tuple[float, bool]], cost_s: float, until_s: float) -> tuple[Counter[str], list[tuple[float, str]], int]:
    """Take turns on one link where each costs `cost_s`; `turns` gives interval and urgency by name."""
    schedule = Turns(Turn(name, place * 0.01, 0.0, urgent) for place, (name, (_, urgent)) in enumerate(turns.items()))
    now_s, missed = 0.0, 0
    taken: Counter[str] = Counter()
    order: list[tuple[float, str]] = []
    while now_s < until_s:
        turn = schedule.next(now_s)
        now_s = max(now_s, turn.due_s)
        taken[turn.name] += 1
        order.append((now_s, turn.name))
        now_s += cost_s
        interval_s, urgent = turns[turn.name]
        missed += schedule.done(turn, now_s, interval_s=interval_s, is_urgent=urgent)
    return taken, order, missed


def test_with_time_enough_everyone_is_read_at_its_interval() -> None:
    taken, order, missed = _run({"a": (1.0, False), "b": (1.0, False), "c": (0.1, True)}, 0.005, 60)
    assert missed == 0
    assert abs(taken["c"] - 600) <= 2
    assert abs(taken["a"] - 60) <= 1
    moments = [at for at, name in order if name == "a"]
    assert all(abs(later - earlier - 1.0) < 0.011 for earlier, later in zip(moments, moments[1:], strict=False))


def test_a_start_gets_its_fast_turns_while_others_still_get_theirs() -> None:
    turns = {f"unit {n}": (1.0, False) for n in range(12)} | {"starting": (0.1, True)}
    taken, _, _ = _run(turns, 0.04, 60)
    # 12 units x 40 ms leave 0.52 s a second: all ten fast turns fit.
    assert taken["starting"] >= 0.95 * 600
    assert min(taken[f"unit {n}"] for n in range(12)) >= 0.95 * 60


def test_a_start_on_an_overloaded_link_takes_every_other_turn_at_most() -> None:
    turns = {f"unit {n}": (1.0, False) for n in range(40)} | {"starting": (0.05, True)}
    taken, order, missed = _run(turns, 0.1, 300)
    assert 0.45 <= taken["starting"] / len(order) <= 0.51
    counts = [taken[f"unit {n}"] for n in range(40)]
    assert max(counts) - min(counts) <= 2
    assert missed > 0


def test_two_starts_share_the_fast_turns() -> None:
    turns: dict[str, tuple[float, bool]] = {"a": (0.1, True), "b": (0.1, True), "c": (1.0, False)}
    taken, _, _ = _run(turns, 0.1, 100)
    assert abs(taken["a"] - taken["b"]) <= 2
    assert taken["c"] >= 90


def test_on_an_overloaded_link_all_are_read_equally_often() -> None:
    taken, _, _ = _run({f"unit {n}": (1.0, False) for n in range(30)}, 0.1, 300)
    assert max(taken.values()) - min(taken.values()) <= 1
