"""The heat account: the thermal model fed with the winding current from reading to reading.

Between two readings I^2 is taken as a straight line. Steady running is summed up and given to the model every FLUSH at most
(its time constants are minutes); while the current is high every reading is. The moments depend on the readings alone, never on who asks:
`state_now` changes nothing.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

from gateway.instants import HOUR, MINUTE, SECOND, Instant
from gateway.motors.history import HeatState
from gateway.motors.temperature import HOT_SPOT_K, ambient_used, winding_used
from gateway.motors.thermal import ThermalModel

FLUSH: Instant = 10 * SECOND
HIGH_RATIO = 1.25
"""Winding current x FLC above which every reading is given to the model by itself; own choice."""
TRAIL: Instant = 3 * HOUR
TRAIL_POINTS = 600


@dataclass(slots=True)
class HeatAccount:
    """State of the account.

    square: (winding current x FLC)^2 at the last reading with a current, at `at`.
    sum_s: integral of it since `state.at` [s].
    turning: the shaft turns, so that the running time constants hold.
    trail: (instant, thermal capacity used), one a minute and at the begin and end of starts.
    """

    state: HeatState | None = None
    at: Instant = 0
    square: float = 0.0
    sum_s: float = 0.0
    turning: bool = False
    trail: list[tuple[Instant, float]] = field(default_factory=list)

    def take(self, at: Instant, ratio: float | None, turning: bool, model: ThermalModel) -> None:
        """Fold one reading; `ratio` None is not known."""
        if self.state is None:
            self.state, self.at, self.square, self.turning = model.initial(at), at, (ratio or 0.0) ** 2, turning
            return
        if ratio is None:
            if turning or self.turning:
                self._dark(at, model)
                self.turning = turning
                return
            ratio = 0.0
        square = ratio * ratio
        self.sum_s += 0.5 * (self.square + square) * (at - self.at) / SECOND
        high = max(square, self.square) > HIGH_RATIO**2
        self.at, self.square = at, square
        if high or turning is not self.turning or at - self.state.at >= FLUSH:
            self.flush(model)
        self.turning = turning

    def gap(self, at: Instant, ratio: float | None, turning: bool, quiet: bool, model: ThermalModel) -> None:
        """Fold the first reading after a gap; `quiet`: the counter and the states on both sides say that nothing happened in it."""
        self.flush(model)
        highest = max(math.sqrt(self.square), ratio or 0.0) if turning else 0.0
        self.state = model.after(self.state_now(model), at, highest if quiet else None, turning or not quiet)
        self.at, self.square, self.sum_s, self.turning = at, (ratio or 0.0) ** 2, 0.0, turning
        self._note(model)

    def charge(self, heat: float, model: ThermalModel) -> None:
        """Add the heat of a start that was not seen."""
        self.flush(model)
        self.state = model.charged(self.state_now(model), heat)
        self.note(model)

    def measure(self, ambient_c: float | None, winding_c: float | None, at_rest: bool, model: ThermalModel) -> None:
        """Take in temperatures that a reading brought (see `temperature`); `at_rest`: the motor has stood long enough to trust a sensor."""
        if self.state is None or (ambient_c is None and winding_c is None):
            return
        self.flush(model)
        if ambient_c is not None:
            self.state = replace(self.state, ambient=ambient_used(ambient_c, model.rated_used))
        if winding_c is None:
            return
        if at_rest and not self.state.certain:
            known = model.warm(self.state.at, winding_used(winding_c + HOT_SPOT_K, model.rated_used))
            self.state = replace(known, ambient=self.state.ambient)
        self.state = model.at_least(self.state, winding_used(winding_c, model.rated_used))

    def flush(self, model: ThermalModel) -> None:
        """Bring the state up to the last reading."""
        if self.state is not None and self.at > self.state.at:
            self.state = self.state_now(model)
            self.sum_s = 0.0
            self._note(model)

    def state_now(self, model: ThermalModel) -> HeatState:
        """Return the state at the last reading, changing nothing."""
        if self.state is None:
            return model.initial(self.at)
        elapsed_s = (self.at - self.state.at) / SECOND
        return model.after(self.state, self.at, math.sqrt(self.sum_s / elapsed_s), self.turning) if elapsed_s > 0.0 else self.state

    def used_now(self, model: ThermalModel) -> float:
        """Return the thermal capacity used at the last reading, of 1."""
        return model.used(self.state_now(model))

    def note(self, model: ThermalModel) -> None:
        """Put the present point on the trail."""
        self.trail.append((self.at, self.used_now(model)))
        if len(self.trail) > TRAIL_POINTS:
            self.trail = [point for point in self.trail if point[0] >= self.at - TRAIL][-TRAIL_POINTS // 2 :]

    def _note(self, model: ThermalModel) -> None:
        if not self.trail or self.at - self.trail[-1][0] >= MINUTE:
            self.note(model)

    def _dark(self, at: Instant, model: ThermalModel) -> None:
        self.flush(model)
        self.state = model.after(self.state_now(model), at, None, True)
        self.at, self.sum_s, self.square = at, 0.0, 0.0

    def shift(self, by_us: int) -> None:
        """Move every instant, after the wall clock was set."""
        self.state = None if self.state is None else replace(self.state, at=self.state.at + by_us)
        self.at += by_us
        self.trail = [(at + by_us, used) for at, used in self.trail]
