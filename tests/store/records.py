"""Records with every field filled, and a store in a temporary folder, for the tests of the store."""

from __future__ import annotations

from pathlib import Path

from gateway.clock import HandClock
from gateway.motors.alerts import Alert, AlertKind
from gateway.motors.reading import Quality, Reading
from gateway.motors.records import Curve, EquivalentRating, Outcome, Start, Stop, StopKind
from gateway.motors.start_terms import DirectEstimate, RampForm, RampShape
from gateway.store.database import Store, open_store

T0 = 1_780_000_000_000_000
SECOND = 1_000_000


def store_in(folder: Path, name: str = "ledger.db") -> Store:
    return open_store(f"sqlite:///{folder / name}", HandClock(T0))


def reading(at_s: float, **values: float) -> Reading:
    return Reading(T0 + round(at_s * SECOND), values or {"current": 12.5})


def curve(samples: int = 50) -> Curve:
    at_s = tuple(n / 10 - 0.1 for n in range(samples))
    currents = tuple(None if n == 7 else 400.0 / (n + 1) for n in range(samples))
    return Curve(at_s=at_s, columns={"current": currents, "starting": tuple(float(n < 40) for n in range(samples))})


def start(number: int, *, began_s: float | None = None, with_curve: bool = True) -> Start:
    """A start in which every field has a value that no other field has."""
    began_at = T0 + round((number * 600 if began_s is None else began_s) * SECOND)
    return Start(
        number=number,
        began_at=began_at,
        ended_at=began_at + 4_700_000,
        outcome=Outcome.AT_SPEED,
        began_error_s=0.05,
        duration_s=4.7 + number / 3,
        duration_error_s=0.1,
        peak_current_a=412.7,
        steady_peak_current_a=411.1,
        peak_ratio=5.1,
        i2t_a2s=301_000.5,
        i2t_flc2s=47.03,
        winding_i2t_flc2s=47.04,
        i2t_error_pct=2.2,
        mean_current_a=300.9,
        equivalent_rating=EquivalentRating(x=3.2, t_s=4.6),
        at_speed_current_a=61.5,
        unbalance_pct=1.7,
        heat_before=0.1 + 0.2,
        heat_after=0.55,
        trip_code=17,
        samples=51,
        quality=Quality.UNCERTAIN,
        remark="one sample is missing",
        curve=curve() if with_curve else None,
        peak_error_pct=1.3,
        rms_current_a=305.5,
        lowest_voltage_v=388.5,
        voltage_dip_pct=2.9,
        voltage_dip_error_pct=0.4,
        command_to_begin_s=0.7,
        command_to_speed_s=5.4,
        command_error_s=0.15,
        shape=RampShape(form=RampForm.PLATEAU, initial_ratio=2.8, rise_s=0.9, plateau_s=2.6, fall_s=0.8),
        direct=DirectEstimate(duration_s=1.4, peak_ratio=7.0, i2t_flc2s=42.5, error_pct=25.0),
    )


def stop(ended_s: float) -> Stop:
    ended_at = T0 + round(ended_s * SECOND)
    return Stop(began_at=ended_at - 60 * SECOND, ended_at=ended_at, kind=StopKind.SOFT_STOP, run_began_at=T0 + 5, trip_code=4)


def alert(raised_s: float, starter: str = "FAN-1", **changes: object) -> Alert:
    plain: dict[str, object] = {"acknowledged_at": None, "acknowledged_by": "", "returned_at": None} | changes
    return Alert(
        starter=starter,
        kind=AlertKind("tripped"),
        priority=1,
        text="tripped: overload",
        advice="look at the load",
        raised_at=T0 + round(raised_s * SECOND),
        acknowledged_at=_instant(plain["acknowledged_at"]),
        acknowledged_by=str(plain["acknowledged_by"]),
        returned_at=_instant(plain["returned_at"]),
    )


def _instant(value: object) -> int | None:
    return value if isinstance(value, int) else None
