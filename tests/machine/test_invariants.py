"""Laws that hold for any motor, load and method: energy, rotor heat, I2t, order. Held over random ones; every failure names its seed."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from math import inf

import numpy as np
import pytest
from scipy.integrate import quad

from gateway.machine.circuit import Circuit
from gateway.machine.drive import Drive, DriveState, Phase, Tally, drive_for, start
from gateway.machine.feed import Method
from gateway.machine.frequency_drive import FrequencyDrive
from gateway.machine.loads import Fan, TorqueTable
from gateway.machine.methods import Autotransformer, DirectOnLine, PrimaryResistor, ResistorStep, StarDelta, resistor_for_voltage
from gateway.machine.motion import advance
from gateway.machine.run_up import run_up
from gateway.machine.soft_starter import SoftStarter
from tests.machine.examples import MOTOR_45_KW, fan_drive, free_inertia_kg_m2, random_load, random_nameplate

FLC = MOTOR_45_KW.flc_a


def _free(drive: Drive) -> Drive:
    """Return the drive without load and friction."""
    return replace(drive, load=Fan(rated_torque_nm=0.0), circuit=replace(drive.circuit, friction_w=0.0), at_speed_hold_s=1e6)


def _walk(drive: Drive, step_s: float, until_slip: float, time_limit_s: float = 400.0) -> Iterator[DriveState]:
    """Yield the states of a start until the slip is that small."""
    state, sync = start(drive, DriveState()), drive.circuit.sync_speed_rad_s
    for _ in range(round(time_limit_s / step_s)):
        state = advance(drive, state, step_s, longest_step_s=step_s)
        yield state
        if state.speed_rad_s > sync * (1.0 - until_slip):
            return
    raise AssertionError("the motor did not reach speed")


def _at_slip(drive: Drive, step_s: float, slip: float) -> tuple[float, Tally]:
    """Return (speed, sums) at the end of the first step past a slip."""
    *_, last = _walk(drive, step_s, slip)
    return last.speed_rad_s, last.tally


FREE_METHODS: dict[str, Method] = {
    "direct": DirectOnLine(),
    "40 %, 10 s, 3.5 x": SoftStarter(current_limit_ratio=3.5, harmonics=False),
    "no limit": SoftStarter(harmonics=False),
    "30 %, 30 s, 2.5 x": SoftStarter(initial_voltage_ratio=0.3, ramp_time_s=30.0, current_limit_ratio=2.5, harmonics=False),
    "star 4 s": StarDelta(star_time_s=4.0),
    "star 20 s": StarDelta(star_time_s=20.0),
    "tap 65 %, 8 s": Autotransformer(tap_ratio=0.65, tap_time_s=8.0),
}
LINE_I2T = {"star 4 s": 39.0, "star 20 s": 25.0, "tap 65 %, 8 s": 31.7}


@pytest.mark.parametrize("name", FREE_METHODS)
def test_free_motor_rotor_heat_and_winding_i2t_do_not_depend_on_the_method(name: str) -> None:
    """45 kW, J = 10.45, to 99 % speed: winding I2t 75.04 FLC2 s and rotor heat J (ws w - w2/2) by every method."""
    drive = _free(fan_drive(FREE_METHODS[name]))
    sync = drive.circuit.sync_speed_rad_s
    before = DriveState()
    for state in _walk(drive, 0.004, 0.01):
        if state.speed_rad_s <= 0.99 * sync:
            before = state
    share = (0.99 * sync - before.speed_rad_s) / (state.speed_rad_s - before.speed_rad_s)
    i2t = (before.tally.winding_i2t_a2s + share * (state.tally.winding_i2t_a2s - before.tally.winding_i2t_a2s)) / FLC**2
    assert i2t == pytest.approx(75.04, abs=0.025)
    line = (before.tally.line_i2t_a2s + share * (state.tally.line_i2t_a2s - before.tally.line_i2t_a2s)) / FLC**2
    assert line == pytest.approx(LINE_I2T.get(name, 75.0), abs=0.06)
    w = state.speed_rad_s
    assert state.tally.rotor_heat_j == pytest.approx(drive.inertia_kg_m2 * (sync * w - w * w / 2), rel=2e-4)


def _random_methods(rng: random.Random, circuit: Circuit) -> tuple[Method, ...]:
    ramp = rng.uniform(1.0, 20.0)
    ohm = resistor_for_voltage(circuit, rng.uniform(0.5, 0.8))
    return (
        DirectOnLine(),
        StarDelta(star_time_s=rng.uniform(0.5, 10.0), open_gap_s=rng.uniform(0.0, 0.1)),
        Autotransformer(tap_ratio=rng.uniform(0.4, 0.8), tap_time_s=rng.uniform(0.5, 8.0), open_gap_s=rng.choice((0.0, 0.05))),
        PrimaryResistor(steps=(ResistorStep(resistance_ohm=ohm, until_s=3.0), ResistorStep(resistance_ohm=0.5 * ohm, until_s=5.0))),
        SoftStarter(
            initial_voltage_ratio=rng.uniform(0.3, 0.6), ramp_time_s=ramp, current_limit_ratio=rng.uniform(2.5, 5.0), harmonics=False
        ),
        SoftStarter(initial_voltage_ratio=0.4, ramp_time_s=ramp, kick_voltage_ratio=0.8, kick_time_s=0.5, harmonics=False),
    )


def _free_random(count: int, seed: int, step_s: float) -> None:
    rng = random.Random(seed)
    for i in range(count):
        nameplate = random_nameplate(rng)
        inertia = free_inertia_kg_m2(nameplate) * rng.uniform(5.0, 30.0)
        drive = _free(drive_for(nameplate, load=Fan(rated_torque_nm=0.0), inertia_kg_m2=inertia, method=DirectOnLine()))
        sync = drive.circuit.sync_speed_rad_s
        for method in _random_methods(rng, drive.circuit):
            told = f"seed {seed}, motor {i}, {method}"
            w, tally = _at_slip(replace(drive, method=method), step_s, 0.03)
            assert tally.rotor_heat_j == pytest.approx(inertia * (sync * w - w * w / 2), rel=6e-3), told
            # I2t to the speed reached: the free motor's own integral over speed, the same for every method.
            expected = quad(_i2t_per_speed, 0.0, w, args=(drive,))[0]
            assert tally.winding_i2t_a2s == pytest.approx(expected, rel=6e-3), told


def _torque(drive: Drive, speed: float) -> float:
    return drive.circuit.at(drive.circuit.slip_at(speed)).torque_nm


def _i2t_per_speed(speed: float, drive: Drive) -> float:
    """Return d(I2t)/dw of a free motor: J I2 / T."""
    point = drive.circuit.at(drive.circuit.slip_at(speed))
    return drive.inertia_kg_m2 * point.current_a**2 / point.torque_nm


def test_free_random_motors_keep_rotor_heat_and_i2t() -> None:
    _free_random(6, seed=1123, step_s=0.02)


@pytest.mark.slow
def test_many_free_random_motors_keep_rotor_heat_and_i2t() -> None:
    _free_random(80, seed=5813, step_s=0.02)


@dataclass(frozen=True)
class _ShareOfTorque:
    """A load that takes a fixed share of the motor's torque at full voltage: for the factor 1/(1 - c)."""

    circuit: Circuit
    rated_speed_rad_s: float
    share: float

    @property
    def changes_s(self) -> tuple[float, ...]:
        return ()

    def torque_nm(self, speed_ratio: float, at_speed_for_s: float) -> float:
        speed = speed_ratio * self.rated_speed_rad_s
        return self.share * self.circuit.at(self.circuit.slip_at(speed)).torque_nm


@pytest.mark.parametrize(("share", "factor"), [(0.2, 1.25), (0.5, 2.0)])
def test_load_that_takes_a_share_raises_rotor_heat_by_one_over_the_rest(share: float, factor: float) -> None:
    drive = _free(fan_drive())
    loaded = replace(drive, load=_ShareOfTorque(drive.circuit, drive.rated_speed_rad_s, share))
    sync = drive.circuit.sync_speed_rad_s
    w, tally = _at_slip(loaded, 0.002, 0.02)
    assert tally.rotor_heat_j / (drive.inertia_kg_m2 * (sync * w - w * w / 2)) == pytest.approx(factor, rel=2e-4)


def test_rotor_heat_under_constant_load_is_the_integral_over_speed() -> None:
    """int J (ws - w) Te / (Te - TL) dw with half the rated torque, direct on line."""
    torque = 0.5 * MOTOR_45_KW.rated_torque_nm
    drive = replace(_free(fan_drive()), load=TorqueTable(points=((0.0, torque), (1.0, torque))))
    w, tally = _at_slip(drive, 0.002, 0.02)
    sync = drive.circuit.sync_speed_rad_s

    def slope(x: float) -> float:
        motor = _torque(drive, x)
        return drive.inertia_kg_m2 * (sync - x) * motor / (motor - torque)

    assert tally.rotor_heat_j == pytest.approx(quad(slope, 0.0, w)[0], rel=1e-4)


def test_plugging_from_full_reverse_costs_three_start_energies() -> None:
    """From memory - confirm; follows from rotor heat = J (ws - w) dw between -ws and 0."""
    circuit, inertia = replace(fan_drive().circuit, friction_w=0.0), 1.0
    sync = circuit.sync_speed_rad_s

    def slope(w: float) -> float:
        point = circuit.at(circuit.slip_at(w))
        return point.rotor_heat_w / (point.torque_nm / inertia)

    assert quad(slope, -sync, 0.0)[0] == pytest.approx(3 * 0.5 * inertia * sync**2, rel=1e-9)
    assert quad(slope, 0.0, 0.999 * sync)[0] == pytest.approx(0.5 * inertia * sync**2, rel=1e-5)


def _balance(count: int, seed: int, step_s: float) -> None:
    rng = random.Random(seed)
    for i in range(count):
        nameplate = random_nameplate(rng)
        inertia = free_inertia_kg_m2(nameplate) * rng.uniform(3.0, 20.0)
        base = drive_for(nameplate, load=random_load(rng, nameplate.rated_torque_nm), inertia_kg_m2=inertia, method=DirectOnLine())
        methods = (*_random_methods(rng, base.circuit), FrequencyDrive(ramp_time_s=rng.uniform(2, 10)), SoftStarter())
        drive = replace(base, method=rng.choice(methods))
        state = start(drive, DriveState())
        for _ in range(round(rng.uniform(0.3, 12.0) / step_s)):
            if state.phase is not Phase.STARTING:
                break
            state = advance(drive, state, step_s, longest_step_s=step_s)
        t = state.tally
        used = t.stator_heat_j + t.rotor_heat_j + t.iron_heat_j + t.load_work_j + 0.5 * inertia * state.speed_rad_s**2
        # The speed went on changing for less than a step after the last counted one.
        slack = inertia * state.speed_rad_s * abs(state.feed.torque_nm) / inertia * step_s
        assert t.motor_energy_j == pytest.approx(used, rel=4e-3, abs=slack), f"seed {seed}, motor {i}, {drive.method}, {drive.load}"


def test_energy_is_kept_for_random_motors_loads_and_methods() -> None:
    _balance(15, seed=2357, step_s=0.01)


@pytest.mark.slow
def test_energy_is_kept_for_many() -> None:
    _balance(300, seed=1113, step_s=0.01)


@pytest.mark.parametrize("method", [DirectOnLine(), SoftStarter(current_limit_ratio=3.5, harmonics=False)])
def test_energy_balance_gets_better_with_shorter_steps(method: Method) -> None:
    drive = fan_drive(method)
    errors = []
    for step in (0.02, 0.005):
        # Stop short of the switch to running, so that every joule is counted.
        state = advance(drive, start(drive, DriveState()), 2.6 if isinstance(method, DirectOnLine) else 9.5, longest_step_s=step)
        t = state.tally
        used = t.stator_heat_j + t.rotor_heat_j + t.iron_heat_j + t.load_work_j + 0.5 * drive.inertia_kg_m2 * state.speed_rad_s**2
        errors.append(abs(t.motor_energy_j / used - 1.0))
    assert errors[1] < 3e-5
    assert errors[1] < 0.2 * errors[0]


def test_peak_current_of_any_soft_start_keeps_to_the_limit_outside_the_kick() -> None:
    seed = 4096
    rng = random.Random(seed)
    for _ in range(12):
        nameplate = random_nameplate(rng)
        limit = rng.uniform(2.0, 5.0)
        method = SoftStarter(
            initial_voltage_ratio=rng.uniform(0.2, 0.7),
            ramp_time_s=rng.uniform(0.5, 15.0),
            current_limit_ratio=limit,
            harmonics=rng.random() < 0.5,
        )
        load = random_load(rng, 0.7 * nameplate.rated_torque_nm)
        drive = drive_for(nameplate, load=load, inertia_kg_m2=8 * free_inertia_kg_m2(nameplate), method=method)
        curve = run_up(drive, time_limit_s=60.0, sample_s=0.05)
        assert curve.tally.peak_line_a <= limit * drive.flc_a * (1 + 1e-9), f"seed {seed}"


@pytest.mark.parametrize(
    "settings",
    [
        [lambda x=x: SoftStarter(current_limit_ratio=x) for x in (inf, 3.7, 3.5, 3.3, 3.0, 2.8)],
        [lambda x=x: SoftStarter(ramp_time_s=x) for x in (2.0, 5.0, 10.0, 20.0, 30.0)],
        [lambda x=x: SoftStarter(initial_voltage_ratio=x) for x in (0.7, 0.6, 0.5, 0.4, 0.3)],
    ],
)
def test_gentler_settings_start_longer_and_hotter_under_load(settings: list[Callable[[], SoftStarter]]) -> None:
    runs = [run_up(fan_drive(made()), sample_s=0.02) for made in settings]
    times = [run.current_fell_s for run in runs]
    heats = [run.tally_when_current_fell.rotor_heat_j for run in runs if run.tally_when_current_fell is not None]
    windings = [run.tally_when_current_fell.winding_i2t_a2s for run in runs if run.tally_when_current_fell is not None]
    assert None not in times
    assert len(heats) == len(runs)
    assert np.all(np.diff(np.array(times, dtype=float)) > 0)
    assert np.all(np.diff(heats) > 0)
    assert np.all(np.diff(windings) > 0)
