"""One motor on its supply behind its protection, moved on a grid of 20 ms.

Every command takes effect on the grid, as in a device that works in cycles. While something moves the step is the device's cycle; at rest,
coasting and in steady running it is much longer, on absolute multiples, so that what happens does not depend on how often anyone looks.
"""

from __future__ import annotations

from dataclasses import replace
from math import floor

from gateway.machine.drive import Drive, DriveState, Phase, feed_now, reset, soft_stop, start, stop, trip
from gateway.machine.line_faults import OneLineOpen, Shares, UnequalVoltages, line_shares
from gateway.machine.motion import advance
from simulators.protection import Protection, ProtectionSettings, Seen, Trip
from simulators.traits import Drift, Supply

TICKS_PER_S = 50
TICK_S = 1.0 / TICKS_PER_S
_STEADY_TICKS = 30 * TICKS_PER_S
_HOT_TICKS = 5 * TICKS_PER_S
_COASTING_TICKS = TICKS_PER_S
_HOT_PCT = 90.0
_SAME_SUPPLY = 0.002
"""A steady motor is not disturbed for less change of voltage than this."""
FALL_RATIO = 1.25
"""The line current through which the end of a start is defined, x FLC."""


def tick_at(at_s: float) -> int:
    """Return the last tick at or before a time."""
    return floor(at_s * TICKS_PER_S + 1e-6)


def tick_from(at_s: float) -> int:
    """Return the first tick at or after a time."""
    return -floor(-at_s * TICKS_PER_S + 1e-6)


class Motor:
    """State of drive, supply and protection at `tick`. `cycle_ticks` is the step while something moves, 5 (0.1 s) at most."""

    def __init__(
        self,
        drive: Drive,
        supply: Supply,
        protection: ProtectionSettings,
        drift: Drift,
        cycle_ticks: int = 1,
        *,
        has_sensor: bool = False,
    ) -> None:
        self._has_sensor = has_sensor
        self._cycle_ticks = min(cycle_ticks, 5)
        self._first = drive
        self._sag_ratio = 1.0
        sound = UnequalVoltages(method=drive.method, ratio=supply.unequal) if supply.unequal else drive.method
        self._sound_method = sound
        self.drive = replace(drive, at_speed_current_ratio=FALL_RATIO, method=sound)
        self.supply = supply
        self.drift = drift
        self.protection = Protection(protection)
        self.state = replace(DriveState(), supply_ratio=supply.open_ratio_at(0.0))
        self.tick = 0
        self.starts = 0
        self._load_ratio = 1.0

    @property
    def phase(self) -> Phase:
        """What the starting device is doing."""
        return self.state.phase

    @property
    def is_moving(self) -> bool:
        """True while values change from tick to tick."""
        phase, state = self.state.phase, self.state
        if phase is Phase.RUNNING:
            return not state.settled or self.protection.is_timing
        return phase in (Phase.STARTING, Phase.STOPPING)

    @property
    def line_shares(self) -> Shares:
        """Current of each line over that of the drive's feed."""
        return line_shares(self.drive.method, self.drive.circuit, self.state.speed_rad_s)

    def next_tick(self) -> int:
        """Return where the next step ends if nothing comes between."""
        if self.is_moving:
            return _next_multiple(self.tick, self._cycle_ticks)
        if self.state.phase in (Phase.OFF, Phase.TRIPPED) and self.state.speed_rad_s > 0.0:
            return _next_multiple(self.tick, _COASTING_TICKS)
        running = self.state.phase is Phase.RUNNING
        hot = running and self.protection.thermal.used_pct > _HOT_PCT
        steady = _next_multiple(self.tick, _HOT_TICKS if hot else _STEADY_TICKS)
        if running:
            began = self.tick - round(self.state.phase_for_s * TICKS_PER_S)
            for change_s in self.drive.load.changes_s:
                change = began + tick_from(change_s)
                if self.tick < change:
                    steady = min(steady, change)
        return steady

    def step_to(self, tick: int) -> Trip:
        """Move on to a tick not beyond `next_tick` and return the trip that the protection then asks for."""
        duration_s = (tick - self.tick) * TICK_S
        self.state = advance(self.drive, self.state, duration_s, self._supply_ratio(), self._load_ratio)
        self.tick = tick
        state = self.state
        seen = Seen(
            current_ratio=state.feed.line_current_a / self.drive.flc_a,
            speed_ratio=state.speed_rad_s / self.drive.rated_speed_rad_s,
            running=state.phase in (Phase.STARTING, Phase.RUNNING, Phase.STOPPING),
            starting=state.phase is Phase.STARTING,
            shares=self.line_shares,
            voltage_ratio=state.supply_ratio,
            winding_degc=self.supply.ambient_at(self.tick * TICK_S) + state.rise.winding_k if self._has_sensor else None,
        )
        return self.protection.judge(duration_s, seen)

    def _open_ratio(self) -> float:
        return self.supply.open_ratio_at(self.tick * TICK_S) * self._sag_ratio

    def _supply_ratio(self) -> float:
        state = self.state
        open_ratio = self._open_ratio()
        drawn = state.feed.line_current_a / (self.drive.flc_a * state.supply_ratio)
        # Current is nearly proportional to voltage, so the sagging voltage is found without search.
        ratio = open_ratio / (1.0 + self.supply.dip_per_flc * drawn)
        if not self.is_moving and abs(ratio - state.supply_ratio) < _SAME_SUPPLY:
            return state.supply_ratio
        return ratio

    def start(self) -> bool:
        """Begin a start; False when the device takes no start now (running, starting, tripped)."""
        before = self.state
        if before.phase in (Phase.STARTING, Phase.RUNNING, Phase.TRIPPED):
            return False
        self.starts += 1
        self._load_ratio = self.drift.load_ratio(self.starts)
        inertia = self._first.inertia_kg_m2 * self.drift.inertia_ratio(self.starts)
        if inertia != self.drive.inertia_kg_m2:
            self.drive = replace(self.drive, inertia_kg_m2=inertia)
        closing = start(self.drive, before)
        self.state = advance(self.drive, closing, 0.0, self._sagged(closing), self._load_ratio)
        return True

    def _sagged(self, closing: DriveState) -> float:
        drawn = closing.feed.line_current_a / (self.drive.flc_a * closing.supply_ratio)
        return self._open_ratio() / (1.0 + self.supply.dip_per_flc * drawn)

    def open_line(self, line: int) -> None:
        """Take one line of the supply away; one that is away already stays the only one."""
        if not isinstance(self.drive.method, OneLineOpen):
            self._feed_by(replace(self.drive, method=OneLineOpen(method=self._first.method, line=line)))

    def close_line(self) -> None:
        """Bring the missing line back."""
        self._feed_by(replace(self.drive, method=self._sound_method))

    def sag(self, ratio: float) -> None:
        """Let the supply fall to a part of what it would be; 1 ends it. ValueError when it is not above 0."""
        if not 0.0 < ratio <= 1.5:
            raise ValueError(f"supply ratio: found {ratio:g}, allowed above 0 and up to 1.5")
        self._sag_ratio = ratio
        self._feed_by(self.drive)

    def _feed_by(self, drive: Drive) -> None:
        self.drive = drive
        moved = replace(self.state, settled=False)
        self.state = replace(moved, feed=feed_now(drive, moved))

    def stop(self, *, softly: bool) -> None:
        """Stop: on the falling ramp where the device has one and it is wanted, else switched off."""
        self.state = soft_stop(self.drive, self.state) if softly else stop(self.state)

    def trip(self) -> None:
        """Switch off and lock."""
        self.state = trip(self.state)

    def reset(self) -> None:
        """Unlock."""
        self.state = reset(self.state)


def _next_multiple(tick: int, of: int) -> int:
    return (tick // of + 1) * of
