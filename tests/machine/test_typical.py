from __future__ import annotations

import pytest

from gateway.machine.nameplate import NameplateError, fit_circuit
from gateway.machine.typical import (
    complete_nameplate,
    nema_load_inertia_lb_ft2,
    permitted_load_inertia_kg_m2,
    typical_motor_inertia_kg_m2,
)


def test_what_is_given_stays_and_nothing_is_assumed() -> None:
    done = complete_nameplate(
        rated_power_w=45e3,
        voltage_v=400.0,
        frequency_hz=50.0,
        poles=4,
        rated_speed_rpm=1478.0,
        power_factor=0.86,
        efficiency=0.942,
        locked_rotor_current_ratio=7.0,
        locked_rotor_torque_ratio=2.4,
        breakdown_torque_ratio=2.8,
    )
    assert done.assumed == ()
    assert done.nameplate.flc_a == pytest.approx(80.18, abs=0.005)


@pytest.mark.parametrize("power_kw", [0.3, 0.55, 2.2, 11.0, 45.0, 90.0, 250.0, 900.0])
@pytest.mark.parametrize("frequency", [50.0, 60.0])
@pytest.mark.parametrize("poles", [2, 4, 6, None])
def test_power_and_voltage_alone_make_a_motor_that_fits(power_kw: float, frequency: float, poles: int | None) -> None:
    done = complete_nameplate(rated_power_w=1000 * power_kw, voltage_v=400.0, frequency_hz=frequency, poles=poles)
    fit_circuit(done.nameplate)
    assert len(done.assumed) == (6 if poles else 7)
    assert all("confirm" in text or "no source" in text for text in done.assumed)


def test_the_full_load_current_gives_what_follows_from_it() -> None:
    by_pf = complete_nameplate(rated_power_w=45e3, voltage_v=400.0, frequency_hz=50.0, poles=4, flc_a=80.2, power_factor=0.86)
    assert by_pf.nameplate.efficiency == pytest.approx(0.942, abs=1e-3)
    assert by_pf.nameplate.flc_a == pytest.approx(80.2)
    by_efficiency = complete_nameplate(rated_power_w=45e3, voltage_v=400.0, frequency_hz=50.0, poles=4, flc_a=80.2, efficiency=0.942)
    assert by_efficiency.nameplate.power_factor == pytest.approx(0.86, abs=1e-3)


def test_poles_follow_from_the_speed() -> None:
    for rpm, pairs in ((2950.0, 1), (1478.0, 2), (985.0, 3), (735.0, 4)):
        assert complete_nameplate(rated_power_w=45e3, voltage_v=400.0, frequency_hz=50.0, rated_speed_rpm=rpm).nameplate.pole_pairs == pairs


def test_a_slow_old_motor_gets_the_efficiency_that_its_slip_allows() -> None:
    done = complete_nameplate(rated_power_w=7.5e3, voltage_v=400.0, frequency_hz=50.0, rated_speed_rpm=1400.0)
    assert done.nameplate.efficiency < 0.87
    fit_circuit(done.nameplate)


def test_a_high_locked_rotor_torque_lifts_the_breakdown_torque() -> None:
    done = complete_nameplate(rated_power_w=7.5e3, voltage_v=400.0, frequency_hz=50.0, locked_rotor_torque_ratio=3.1)
    assert done.nameplate.breakdown_torque_ratio == 3.1


def test_impossible_currents_are_named() -> None:
    for flc in (40.0, 300.0):
        with pytest.raises(NameplateError) as caught:
            complete_nameplate(rated_power_w=45e3, voltage_v=400.0, frequency_hz=50.0, flc_a=flc)
        assert caught.value.datum == "flc_a"
    with pytest.raises(NameplateError):
        complete_nameplate(rated_power_w=0.0, voltage_v=400.0, frequency_hz=50.0)


def test_permitted_inertia() -> None:
    """NEMA MG 1 table: 60 hp at 1800 rpm 275 lb ft2, at 3600 rpm 58; IEC 60034-12: 6.96 kg m2 from memory - confirm."""
    assert nema_load_inertia_lb_ft2(60.0, 1800.0) == pytest.approx(275.2, abs=0.05)
    assert nema_load_inertia_lb_ft2(60.0, 3600.0) == pytest.approx(57.8, abs=0.05)
    assert permitted_load_inertia_kg_m2(45e3, 2) == pytest.approx(6.96, abs=0.005)


def test_motor_inertia_of_the_three_typical_motors() -> None:
    assert [typical_motor_inertia_kg_m2(1000 * kw, 2) for kw in (5.5, 45.0, 132.0)] == pytest.approx([0.02, 0.45, 2.7])
