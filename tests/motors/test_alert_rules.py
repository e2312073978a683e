"""Delays, deadband and the rules as data."""

from __future__ import annotations

import pytest

from gateway.instants import SECOND, after
from gateway.motors.alert_rules import RULES, AlertKind, Delay, delayed, is_beyond, rules_for
from gateway.motors.facts import AlertSettings

LIMIT, DEADBAND, ON_S, OFF_S = 100.0, 2.0, 5.0, 10.0


def folded(values: list[tuple[float, float]], delay: Delay | None = None) -> list[bool]:
    """Return after each (time [s], value) whether the alert of the illustrative pattern is raised."""
    delay, found = delay or Delay(), []
    for at_s, value in values:
        beyond = is_beyond(value, LIMIT, DEADBAND, delay.raised or delay.pending_since is not None)
        delay = delayed(delay, beyond, after(0, at_s), ON_S, OFF_S)
        found.append(delay.raised)
    return found


# Limit 100, deadband 2, on-delay 5 s, off-delay 10 s; the terms are those of IEC 62682, the inclusive edges are this project's choice.
def test_an_excursion_shorter_than_the_on_delay_raises_nothing() -> None:
    assert folded([(0.0, 100.0), (4.9, 100.0), (5.0, 97.0)]) == [False, False, False]


def test_an_excursion_of_exactly_the_on_delay_raises() -> None:
    assert folded([(0.0, 100.0), (4.9, 100.0), (5.0, 100.0)]) == [False, False, True]


RAISED = Delay(raised=True)


def test_within_the_deadband_nothing_returns() -> None:
    assert folded([(0.0, 98.1), (60.0, 98.1)], RAISED) == [True, True]


def test_at_the_edge_of_the_deadband_it_returns_after_the_off_delay() -> None:
    assert folded([(0.0, 98.0), (9.9, 98.0), (10.0, 98.0)], RAISED) == [True, True, False]


def test_a_crossing_during_the_off_delay_starts_it_anew() -> None:
    assert folded([(0.0, 98.0), (9.0, 100.0), (10.0, 98.0), (19.9, 98.0), (20.0, 98.0)], RAISED) == [True, True, True, True, False]


@pytest.mark.parametrize("raised", [False, True])
def test_what_is_not_known_changes_nothing_and_starts_the_delay_anew(raised: bool) -> None:
    waiting = delayed(Delay(raised=raised), not raised, 0, ON_S, OFF_S)
    unknown = delayed(waiting, None, 4 * SECOND, ON_S, OFF_S)
    assert (unknown.raised, unknown.pending_since) == (raised, None)
    again = delayed(unknown, not raised, 5 * SECOND, ON_S, OFF_S)
    assert again == Delay(raised=raised, pending_since=5 * SECOND)


def test_no_delay_acts_at_once() -> None:
    assert delayed(Delay(), True, 7, 0.0, 0.0).raised
    assert not delayed(RAISED, False, 7, 0.0, 0.0).raised


def test_a_clock_set_back_raises_nothing_early() -> None:
    assert not delayed(Delay(pending_since=10 * SECOND), True, 4 * SECOND, ON_S, OFF_S).raised


def test_every_kind_has_a_rule_and_every_rule_says_all_that_an_operator_needs() -> None:
    assert list(RULES) == list(AlertKind)
    for rule in RULES.values():
        assert rule.priority in (1, 2, 3)
        for text in (rule.raised_when, rule.returns_when, rule.cause, rule.consequence, rule.first_action):
            assert len(text) > 10 and text[0].islower() and not text.endswith(".")
        assert not rule.first_action.startswith("look")


def test_protective_trips_are_never_delayed() -> None:
    for kind in (AlertKind.TRIPPED, AlertKind.STALLED):
        assert (RULES[kind].on_delay_s, RULES[kind].off_delay_s) == (0.0, 0.0)


def test_a_site_changes_priorities_and_delays_and_turns_kinds_off() -> None:
    changed = rules_for(
        AlertSettings(
            off=frozenset({"unseen_starts"}), priority={"heat": 1}, on_delay_s={"heat": 30.0}, off_delay_s={"heat": 90.0, "no_data": 0.0}
        )
    )
    kinds = {rule.kind: rule for rule in changed}
    assert set(kinds) == set(AlertKind) - {AlertKind.UNSEEN_STARTS}
    assert (kinds[AlertKind.HEAT].priority, kinds[AlertKind.HEAT].on_delay_s, kinds[AlertKind.HEAT].off_delay_s) == (1, 30.0, 90.0)
    assert kinds[AlertKind.NO_DATA].off_delay_s == 0.0
