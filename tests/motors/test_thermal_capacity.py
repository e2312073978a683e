"""Start lockout by thermal capacity, against worked waits and stepping."""

from __future__ import annotations

import pytest
from hypothesis import given as cases
from hypothesis import strategies as st

from gateway.instants import MINUTE, SECOND, after
from gateway.motors import thermal_capacity
from gateway.motors.facts import Starter
from gateway.motors.history import HeatState
from gateway.motors.records import MotorState
from gateway.motors.thermal import UNKNOWN_CURRENT, thermal_model
from gateway.motors.thermal_capacity import heat_at, starts_within
from tests.motors.past import T0, given, heat, learned, past, starter


def cooling(tau_stop_s: float, margin: float = 1.0) -> Starter:
    return starter(limits={"heat_margin": margin}, cooling_time_constant_s=tau_stop_s)


# wait = tau_stop ln(U / (1 - margin dU)); general practice of start lockout, figures computed.
@pytest.mark.parametrize(
    ("used", "start", "margin", "tau_stop_s", "wait_s"),
    [
        (0.85, 0.45, 1.0, 1800.0, 783.57),
        (0.85, 0.45, 1.1, 1800.0, 937.22),
        (1.00, 0.40, 1.0, 3600.0, 1838.97),
        (0.50, 0.45, 1.0, 1800.0, 0.0),
    ],
)
def test_worked_waits(used: float, start: float, margin: float, tau_stop_s: float, wait_s: float) -> None:
    history = past(heat=heat(used * 1.21), learned=learned(heat=start))
    said = given(thermal_capacity.verdict(cooling(tau_stop_s, margin), history, T0))
    assert said.wait_s == pytest.approx(wait_s, abs=0.005)
    assert said.starts_left == (1 if wait_s == 0.0 else 0)


@pytest.mark.parametrize("start", [1.0, 1.3])
def test_a_start_that_takes_everything_is_never_permitted(start: float) -> None:
    said = given(thermal_capacity.verdict(cooling(1800.0), past(heat=heat(0.5), learned=learned(heat=start)), T0))
    assert (said.next_start_at, said.wait_s, said.starts_left, said.certain) == (None, None, 0, True)
    assert "never permitted from these settings" in said.reason


def test_a_start_that_takes_everything_is_permitted_to_a_motor_at_ambient_only() -> None:
    assert given(thermal_capacity.verdict(cooling(1800.0), past(learned=learned(heat=1.0)), T0)).starts_left == 1


@cases(used=st.floats(0.0, 1.5), cost=st.floats(0.01, 1.2))
def test_starts_left_is_what_fits(used: float, cost: float) -> None:
    left = starts_within(used, cost)
    assert left == 0 or used + left * cost <= 1.0 + 1e-9
    assert left == thermal_capacity.MOST_STARTS or used + (left + 1) * cost > 1.0 - 1e-9


@cases(used=st.floats(0.3, 1.4), start=st.floats(0.05, 0.9))
def test_next_start_is_the_first_second_at_which_one_fits(used: float, start: float) -> None:
    fan, history = cooling(1800.0), past(heat=heat(used * 1.21), learned=learned(heat=start))
    said = given(thermal_capacity.verdict(fan, history, T0))
    assert said.next_start_at is not None
    if said.next_start_at > T0:
        assert given(thermal_capacity.verdict(fan, history, said.next_start_at + 2)).starts_left == 1
        assert given(thermal_capacity.verdict(fan, history, said.next_start_at - 2 * SECOND)).starts_left == 0


def test_margin_and_estimate_are_said() -> None:
    history = past(learned=learned(heat=0.2, estimated=True))
    said = given(thermal_capacity.verdict(cooling(1800.0, 1.1), history, T0))
    assert said.reason == "0 % used, a start adds about 22 % with margin 1.1 (estimate from motor data)"
    assert said.source.startswith("thermal capacity, IEC 60255-149 model, limit 1.1 x FLC; time constant running 10 min")


def test_a_running_motor_is_judged_as_if_it_stopped_now() -> None:
    history = past(heat=heat(1.0), state=MotorState.RUNNING, learned=learned(heat=0.3))
    said = given(thermal_capacity.verdict(cooling(1800.0), history, T0))
    assert said.wait_s == pytest.approx(1800.0 * 0.16614, abs=1.0)  # ln(0.826446 / 0.7)


def test_later_instants_cool_a_stopped_motor_and_heat_a_running_one() -> None:
    fan = cooling(1800.0)
    model = thermal_model(fan)
    off = heat_at(model, fan, past(heat=heat(0.8)), T0 + 30 * MINUTE)
    assert model.used(off) == pytest.approx(0.8 / 1.21 / 2.718281828, rel=1e-6)
    on = heat_at(model, fan, past(heat=heat(0.5), state=MotorState.RUNNING), T0 + 60 * MINUTE)
    assert model.used(on) > 0.8
    assert on.reason == UNKNOWN_CURRENT


def test_uncertain_heat_is_said() -> None:
    said = given(thermal_capacity.verdict(cooling(1800.0), past(heat=heat(0.5, certain=False)), T0))
    assert (said.certain, said.reason.endswith("heat is a guess")) == (False, True)


def test_while_blind_a_motor_that_stood_may_be_running() -> None:
    fan = cooling(1800.0)
    history = past(heat=HeatState(at=T0 - 30 * MINUTE, nodes=(0.5, 0.0)), blind_since=T0 - 30 * MINUTE)
    assert thermal_model(fan).used(heat_at(thermal_model(fan), fan, history, T0)) > 0.5 / 1.21
    assert given(thermal_capacity.verdict(fan, history, T0)).next_start_at is None


def test_a_long_time_from_now_everything_is_permitted() -> None:
    history = past(heat=heat(1.2), learned=learned(heat=0.45))
    said = given(thermal_capacity.verdict(cooling(1800.0), history, after(T0, 86400.0)))
    assert (said.starts_left, said.wait_s) == (2, 0.0)
