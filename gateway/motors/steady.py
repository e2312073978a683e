"""The short way for readings that tell nothing new: the motor stands or runs as before, no bit changed, nothing is due.

Nearly all readings of a plant are such. What they still do: the heat sum goes on, the run's level is kept once a second, the reading
becomes the last one. The bounds follow from the state alone (`armed`), so that a restored watch takes the same way at the same reading.
"""

from __future__ import annotations

import math

from gateway.instants import SECOND, Instant
from gateway.motors.facts import Starter
from gateway.motors.heat_account import FLUSH, HIGH_RATIO
from gateway.motors.reading import Reading
from gateway.motors.signs import PHASES, STATUS, line_current_a
from gateway.motors.starts import STANDING, Phase
from gateway.motors.unbalance import LOST_PHASE_SHARE, heating_square, k_for
from gateway.motors.watch_state import WatchState

_HIGH_SQUARE = HIGH_RATIO**2


class Steady:
    """The bounds within which a reading tells nothing new."""

    __slots__ = (
        "_course",
        "_due_at",
        "_flaws",
        "_flc_a",
        "_gap_us",
        "_has_phases",
        "_heat",
        "_k",
        "_keys",
        "_level_at",
        "_lower_a",
        "_on_a",
        "_recogniser",
        "_state",
        "_status",
        "_upper_a",
    )

    def __init__(self, state: WatchState, starter: Starter) -> None:
        self._state = state
        self._recogniser, self._course, self._heat = state.recogniser, state.course, state.heat
        self._flc_a = starter.motor.flc_a
        self._gap_us = round(starter.thresholds.gap_s * SECOND)
        self._k, self._on_a = k_for(starter.motor), starter.thresholds.on_ratio * starter.motor.flc_a
        self.arm(starter)

    def arm(self, starter: Starter) -> None:
        """Take the bounds from the state as it is now."""
        state, limits = self._state, starter.thresholds
        phase, last, heat = self._recogniser.phase, state.last, self._heat
        self._due_at: Instant = 0
        self._level_at: Instant = 0
        self._lower_a, self._upper_a = float("-inf"), limits.on_ratio * self._flc_a
        if last is None or heat.state is None or not last.at == self._recogniser.usable_at == heat.at:
            return
        if (
            state.blind
            or state.late
            or state.phases.doubtful
            or state.phases.lost
            or heat.square > _HIGH_SQUARE
            or state.ledger.counter.doubted is not None
        ):
            return
        if phase is Phase.RUNNING:
            self._lower_a, self._upper_a = self._upper_a, min(limits.high_ratio, HIGH_RATIO) * self._flc_a
            self._level_at = self._course.level_due_at()
        elif phase not in STANDING or phase is Phase.SUSPECTED:
            return
        else:
            self._level_at = 1 << 62
        dues = (heat.state.at + FLUSH, state.ledger.due_at(), state.command_until)
        self._due_at = min(due for due in dues if due is not None)
        self._status = tuple(map(last.values.get, STATUS))
        self._keys, self._flaws = tuple(last.values), last.flaws.keys()
        self._has_phases = all(key in last.values for key in PHASES)

    def takes(self, reading: Reading) -> bool:
        """Fold a reading that tells nothing new; return False, with nothing changed, for any other."""
        at, values, heat = reading.at, reading.values, self._heat
        elapsed_us = at - heat.at
        if at >= self._due_at or not 0 < elapsed_us <= self._gap_us:
            return False
        current_a = values["current"] if "current" in values else line_current_a(values)
        if current_a is None or isinstance(current_a, str) or not self._lower_a <= current_a < self._upper_a:
            return False
        if tuple(map(values.get, STATUS)) != self._status or tuple(values) != self._keys:
            return False
        if (reading.flaws or self._flaws) and reading.flaws.keys() != self._flaws:
            return False
        ratio = current_a / self._flc_a
        square = ratio * ratio
        if self._has_phases:
            a, b, c = values["current_l1"], values["current_l2"], values["current_l3"]
            if isinstance(a, str) or isinstance(b, str) or isinstance(c, str):
                return False
            highest_a = max(a, b, c)
            if highest_a >= self._on_a and min(a, b, c) <= LOST_PHASE_SHARE * highest_a:
                return False
            # The same operations in the same order as on the long way: bit for bit the same heat.
            heating = math.sqrt(heating_square(a, b, c, self._k)) / self._flc_a
            square = heating * heating
            if square > _HIGH_SQUARE:
                return False
        heat.sum_s += 0.5 * (heat.square + square) * elapsed_us / SECOND
        heat.square = square
        heat.at = self._recogniser.usable_at = at
        self._state.last = reading
        if at >= self._level_at:
            self._course.level(at, ratio)
            self._level_at = at + SECOND
        return True
