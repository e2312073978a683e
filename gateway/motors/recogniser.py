"""The recogniser: which sign a reading is in the present phase, and the step that the table of `starts` makes of it."""

from __future__ import annotations

from dataclasses import dataclass, field

from gateway.instants import Instant, seconds_between
from gateway.motors.facts import Method, Starter
from gateway.motors.signs import Signs
from gateway.motors.starts import IN_START, STANDING, TABLE, Action, Phase, Sign

STEADY_S = 5.0
"""A start that never went high is at speed after so long of steady current; own choice."""
STEADY_BAND = 0.05
"""Steady: current within +-5 % of FLC, frequency or speed within +-1 %; own choice."""
REOPEN = 1.2
"""A surge that opens a start again is above REOPEN x HIGH, so that a motor running at HIGH does not; own choice."""
ONE_STEP = frozenset({Method.DIRECT_ON_LINE, Method.FREQUENCY_DRIVE})
SWITCHING = frozenset({Method.STAR_DELTA, Method.AUTOTRANSFORMER, Method.PRIMARY_RESISTOR})
_MAY_BE_GONE = frozenset({Phase.DROPPED, Phase.FALLEN, Phase.GONE})
_CAME_BACK = frozenset({Phase.DROPPED, Phase.FALLEN})


@dataclass(slots=True)
class Ramp:
    """What was seen within the start under way."""

    from_at: Instant = 0
    """First reading of the start, or of its last opening: what the longest start is counted from."""
    off_at: Instant = 0
    """Last reading before the start."""
    current_seen: bool = False
    high_seen: bool = False
    starting_seen: bool = False
    speed_at: Instant | None = None
    """First reading whose at-speed bit stands."""
    steady_at: Instant = 0
    """Current, and frequency or speed, are steady since then."""
    steady_ratio: float | None = None
    steady_drive: float | None = None

    def take(self, signs: Signs, high_ratio: float) -> None:
        """Note what one reading adds."""
        if signs.starting:
            self.starting_seen = True
        if signs.at_speed and self.speed_at is None:
            self.speed_at = signs.at
        elif signs.at_speed is False:
            self.speed_at = None
        if signs.ratio is not None:
            self.current_seen = True
            self.high_seen = self.high_seen or signs.ratio > high_ratio
        if self._moved(signs):
            self.steady_at, self.steady_ratio, self.steady_drive = signs.at, signs.ratio, signs.drive

    def _moved(self, signs: Signs) -> bool:
        if signs.ratio is not None and (self.steady_ratio is None or abs(signs.ratio - self.steady_ratio) > STEADY_BAND):
            return True
        if signs.drive is None:
            return False
        return self.steady_drive is None or abs(signs.drive - self.steady_drive) > 0.01 * abs(self.steady_drive)


@dataclass(slots=True)
class Recogniser:
    """State of the recognition of one starter's starts.

    since: instant at which the phase was entered.
    usable_at: last reading that told whether the motor is on.
    ended_at: instant at which the last start was believed to be at speed.
    """

    phase: Phase = Phase.UNKNOWN
    since: Instant = 0
    usable_at: Instant | None = None
    ended_at: Instant = 0
    ramp: Ramp = field(default_factory=Ramp)

    def step(self, signs: Signs, starter: Starter) -> tuple[Action, ...]:
        """Fold one usable reading; return what it means for the records, in order."""
        actions: tuple[Action, ...] = ()
        if self.usable_at is not None and seconds_between(self.usable_at, signs.at) > starter.thresholds.gap_s:
            actions = self._apply(Sign.GAP, signs)
        if self.phase in IN_START or self.phase in (Phase.SUSPECTED, Phase.LOST_STARTING):
            self.ramp.take(signs, starter.thresholds.high_ratio)
        actions += self._apply(self.sign_of(signs, starter), signs, starter.thresholds.high_ratio)
        self.usable_at = signs.at
        return actions

    def _apply(self, sign: Sign, signs: Signs, high_ratio: float = 0.0) -> tuple[Action, ...]:
        target = TABLE[self.phase].get(sign)
        if target is None:
            return ()
        phase, actions = target
        if phase is not self.phase:
            self.phase, self.since = phase, signs.at
        if Action.SUSPECT in actions or Action.FIND in actions:
            self.ramp = Ramp(from_at=signs.at, off_at=signs.at if self.usable_at is None else self.usable_at)
            self.ramp.take(signs, high_ratio)
        if Action.REOPEN in actions:
            self.ramp.from_at = self.ramp.steady_at = signs.at
            self.ramp.high_seen = True
        if Action.END in actions or Action.END_UNSEEN in actions:
            self.ended_at = signs.at
        return actions

    def sign_of(self, signs: Signs, starter: Starter) -> Sign:
        """Return what a reading means in the present phase: bits first, then current."""
        if signs.tripped:
            return Sign.TRIP
        if _off_by_bits(signs):
            return Sign.CUT
        if signs.stopping:
            return Sign.EASE
        if signs.starting:
            return Sign.OVERDUE if self._is_overdue(signs, starter) and self._is_high(signs, starter) is not False else Sign.RAMP
        ratio, limits = signs.ratio, starter.thresholds
        if not (signs.running or signs.at_speed):
            if ratio is None:
                return Sign.FAINT
            if ratio < limits.off_ratio:
                return self._off_sign(signs, starter)
            if ratio < limits.on_ratio:
                return Sign.FAINT
        elif signs.running and self.phase in STANDING:
            return Sign.RAMP
        return self._on_sign(signs, starter)

    def _off_sign(self, signs: Signs, starter: Starter) -> Sign:
        if self.phase in _MAY_BE_GONE and seconds_between(self.since, signs.at) >= starter.thresholds.off_confirm_s:
            return Sign.CUT
        # On from halfway after the last reading before to halfway before this one.
        if self.phase is Phase.SUSPECTED and 0.5 * seconds_between(self.ramp.off_at, signs.at) < starter.thresholds.min_start_s:
            return Sign.BLIP
        return Sign.OFF

    def _on_sign(self, signs: Signs, starter: Starter) -> Sign:
        phase, limits = self.phase, starter.thresholds
        high = self._is_high(signs, starter)
        if phase is Phase.SUSPECTED and seconds_between(self.since, signs.at) >= limits.min_start_s:
            return Sign.SURE
        if phase in _CAME_BACK and (high or phase is Phase.DROPPED) and self._is_anew(signs, starter):
            return Sign.ANEW
        if phase in (Phase.FRESH, Phase.FALLEN):
            if phase is Phase.FRESH and seconds_between(self.ended_at, signs.at) > limits.reopen_s:
                return Sign.AGED
            surge = signs.ratio is not None and signs.ratio > REOPEN * limits.high_ratio
            return Sign.HIGH if surge and not signs.at_speed and starter.device.method not in ONE_STEP else Sign.ON
        if phase in IN_START:
            return self._ramp_sign(signs, starter, high)
        if signs.at_speed:
            return Sign.SPEED
        if phase is Phase.LOST_STARTING and high and self._is_overdue(signs, starter):
            return Sign.OVERDUE
        return Sign.HIGH if high else Sign.ON

    def _ramp_sign(self, signs: Signs, starter: Starter, high: bool | None) -> Sign:
        overdue = self._is_overdue(signs, starter)
        steady = seconds_between(self.ramp.steady_at, signs.at) >= STEADY_S
        told = bool(signs.at_speed) or (signs.at_speed is None and self.ramp.starting_seen and signs.starting is False)
        if told:
            return Sign.SPEED if not high or steady or overdue else Sign.HIGH
        if high is None:
            # No current now: the bits alone must tell, and where there never was a current or an at-speed bit there is nothing to wait for.
            return Sign.FAINT if self.ramp.current_seen or signs.at_speed is False else Sign.SPEED
        if high:
            return Sign.OVERDUE if overdue else Sign.HIGH
        if signs.at_speed is False:
            return Sign.SPEED if overdue else Sign.ON
        if self.ramp.high_seen:
            held = self.phase is Phase.SETTLING and seconds_between(self.since, signs.at) >= starter.thresholds.end_hold_s
            return Sign.SPEED if held else Sign.ON
        return Sign.SPEED if steady else Sign.ON

    def _is_high(self, signs: Signs, starter: Starter) -> bool | None:
        return None if signs.ratio is None else signs.ratio > starter.thresholds.high_ratio

    def _is_overdue(self, signs: Signs, starter: Starter) -> bool:
        open_start = self.phase in IN_START or self.phase is Phase.LOST_STARTING
        return open_start and seconds_between(self.ramp.from_at, signs.at) > starter.thresholds.max_start_s

    def _is_anew(self, signs: Signs, starter: Starter) -> bool:
        long = seconds_between(self.since, signs.at) >= starter.thresholds.off_confirm_s
        return long and starter.device.method not in SWITCHING and not signs.running

    def shift(self, by_us: int) -> None:
        """Move every instant, after the wall clock was set."""
        self.since += by_us
        self.ended_at += by_us
        self.usable_at = None if self.usable_at is None else self.usable_at + by_us
        self.ramp.from_at += by_us
        self.ramp.off_at += by_us
        self.ramp.steady_at += by_us
        if self.ramp.speed_at is not None:
            self.ramp.speed_at += by_us


def _off_by_bits(signs: Signs) -> bool:
    if signs.running is False:
        return not signs.starting and not signs.stopping
    if signs.running is None and signs.ratio is None:
        return signs.starting is False and signs.at_speed is False and not signs.stopping
    return False
