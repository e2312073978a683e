from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from gateway.machine.drive import Drive, drive_for
from gateway.machine.loads import Conveyor, Pump
from gateway.machine.methods import DirectOnLine
from gateway.machine.run_up import run_up
from gateway.machine.soft_starter import SoftStarter
from gateway.machine.start_fit import RecordedStart, StartFitError, departure, fit_starts
from tests.machine.examples import MOTOR_45_KW, fan_drive

TORQUE = MOTOR_45_KW.rated_torque_nm
TRUE_LOAD = 0.85


def _polled(drive: Drive, load_ratio: float, seed: int) -> RecordedStart:
    """Return a start as polled at 100 ms with 1 % noise and a begin known to half a poll."""
    rng = np.random.default_rng(seed)
    curve = run_up(drive, load_ratio=load_ratio, tail_s=4.0)
    at = np.arange(-0.1 + rng.uniform(0, 0.1), curve.at_s[-1], 0.1)
    current = np.where(at < 0.0, 0.0, np.interp(at, curve.at_s, curve.line_current_a)) * (1 + 0.01 * rng.standard_normal(at.size))
    return RecordedStart(at_s=tuple(at + rng.uniform(-0.05, 0.05)), line_current_a=tuple(current))


CASES: dict[str, Drive] = {
    "fan direct": fan_drive(),
    "fan at the limit": fan_drive(SoftStarter(current_limit_ratio=3.5)),
    "belt direct": drive_for(MOTOR_45_KW, load=Conveyor(rated_torque_nm=0.5 * TORQUE), inertia_kg_m2=6.0, method=DirectOnLine()),
    "pump soft": drive_for(
        MOTOR_45_KW,
        load=Pump(rated_torque_nm=0.9 * TORQUE, static_head_part=0.5),
        inertia_kg_m2=2.0,
        method=SoftStarter(current_limit_ratio=3.5),
    ),
}


@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize("guess", [0.6, 1.5])
def test_known_load_and_inertia_come_back(case: str, guess: float) -> None:
    drive = CASES[case]
    seed = 11
    fit = fit_starts(replace(drive, inertia_kg_m2=guess * drive.inertia_kg_m2), [_polled(drive, TRUE_LOAD, seed)])
    assert fit.load_ratio == pytest.approx(TRUE_LOAD, rel=0.10), f"seed {seed}"
    assert fit.inertia_kg_m2 == pytest.approx(drive.inertia_kg_m2, rel=0.10), f"seed {seed}"
    assert fit.determined
    assert fit.residual_flc < 0.06


def test_several_starts_are_fitted_together() -> None:
    drive = CASES["fan direct"]
    one = fit_starts(drive, [_polled(drive, TRUE_LOAD, 1)])
    three = fit_starts(drive, [_polled(drive, TRUE_LOAD, seed) for seed in (1, 2, 3)])
    assert three.load_error_pct < one.load_error_pct
    assert three.load_ratio == pytest.approx(TRUE_LOAD, rel=0.03)
    assert len(three.shifts_s) == 3
    assert -1.0 <= three.correlation <= 1.0


def test_a_start_cut_off_on_the_plateau_does_not_determine_anything() -> None:
    """At the current limit the current is flat: before it falls the record says nothing of load or inertia, and the fit must own up."""
    drive = CASES["fan at the limit"]
    whole = _polled(drive, TRUE_LOAD, 4)
    keep = sum(1 for at in whole.at_s if at < 6.0)
    fit = fit_starts(drive, [RecordedStart(at_s=whole.at_s[:keep], line_current_a=whole.line_current_a[:keep])])
    assert not fit.determined


def test_departure_of_a_changed_machine() -> None:
    drive = CASES["fan at the limit"]
    fit = fit_starts(drive, [_polled(drive, TRUE_LOAD, 5)])
    same = departure(fit, _polled(drive, TRUE_LOAD, 6))
    assert not same.departs
    assert abs(same.i2t_pct) < 4.0
    heavier = departure(fit, _polled(drive, 1.4 * TRUE_LOAD, 7))
    assert heavier.departs
    assert heavier.i2t_pct > 5.0
    assert heavier.duration_pct is not None
    assert heavier.duration_pct > 5.0


def test_too_little_is_refused() -> None:
    with pytest.raises(StartFitError):
        fit_starts(fan_drive(), [])
    with pytest.raises(StartFitError):
        fit_starts(fan_drive(), [RecordedStart(at_s=(0.0, 1.0), line_current_a=(1.0, 2.0))])
