"""Delays: growth, cap, spread, and the time that dead units may take from healthy ones."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from gateway.drivers.backoff import LONGEST_DELAY_S, MISSES_BEFORE_BACKOFF, UnitState, next_delay_s, probe_delay_s

JITTER = st.floats(0.0, 1.0)


@given(st.integers(-5, 10**6), JITTER)
def test_a_delay_is_never_longer_than_the_cap(failures: int, jitter: float) -> None:
    assert 0.0 <= next_delay_s(failures, jitter) <= LONGEST_DELAY_S


@given(st.integers(1, 100))
def test_a_delay_never_shrinks_with_failures(failures: int) -> None:
    assert next_delay_s(failures + 1, 0.5) >= next_delay_s(failures, 0.5)


@given(st.integers(1, 100), JITTER)
def test_jitter_keeps_to_the_upper_half(failures: int, jitter: float) -> None:
    whole = next_delay_s(failures, 1.0)
    assert whole / 2 <= next_delay_s(failures, jitter) <= whole


@given(st.integers(0, MISSES_BEFORE_BACKOFF - 1), JITTER)
def test_a_single_lost_reply_costs_no_turn(misses: int, jitter: float) -> None:
    assert probe_delay_s(misses, jitter, dead=1, healthy=9, timeout_s=1.0) == 0.0


@given(st.integers(MISSES_BEFORE_BACKOFF, 1000), JITTER, st.integers(1, 50), st.integers(1, 50))
def test_a_dead_unit_beside_healthy_ones_is_probed_at_least_each_minute(misses: int, jitter: float, dead: int, healthy: int) -> None:
    assert 0.0 < probe_delay_s(misses, jitter, dead=dead, healthy=healthy, timeout_s=1.0) <= 60.0


@given(st.integers(1, 3), st.integers(1, 50))
def test_up_to_three_dead_units_take_at_most_a_twentieth_of_the_link(dead: int, healthy: int) -> None:
    assert dead * 1.0 / probe_delay_s(9, 0.0, dead=dead, healthy=healthy, timeout_s=1.0) <= 0.05 + 1e-12


def test_a_unit_alone_on_its_link_is_back_within_ten_seconds() -> None:
    assert probe_delay_s(1000, 1.0, dead=1, healthy=0, timeout_s=1.0) == LONGEST_DELAY_S


def test_a_unit_waits_until_its_moment() -> None:
    state = UnitState(MISSES_BEFORE_BACKOFF, due_s=100.0)
    assert state.is_dead
    assert state.waits_s(99.0) == 1.0
    assert state.waits_s(100.0) == 0.0
