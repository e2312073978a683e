"""A lost phase: two line currents flow and the third does not, or the device says so.

By current: the motor is on (largest phase above ON) and one phase is below `LOST_PHASE_SHARE` of the largest. It is believed when two
readings at least CONFIRM_S apart say so with none between them that does not: registers read at different moments, or an r.m.s. window
that begins with the current, look like it for one reading. By status: the bit `phase_loss`, or a trip whose text tells of a lost phase.

It lasts until all three phases carry current again; a standstill tells nothing. What only the device said lasts until it says so no more.
A phase lost before the begin of a start is a start with two currents: it draws about 0.87 x the locked-rotor current in two lines and does
not turn (from memory - confirm); lost at speed the motor runs on with some 1.7 x the current in two lines and a rotor that heats fast.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from gateway.instants import Instant, seconds_between
from gateway.motors.facts import Starter
from gateway.motors.reading import Scalar
from gateway.motors.signs import PHASES
from gateway.motors.unbalance import LOST_PHASE_SHARE

CONFIRM_S = 0.3
"""Own choice: longer than any switching, shorter than it takes to burn a motor."""
A_PHASE = "a phase"
"""What is lost when only the device says so."""
_WORDS = ("phase loss", "phase failure", "phase missing", "loss of phase", "lost phase", "single phas")


def phases_of(values: Mapping[str, Scalar]) -> tuple[float, float, float] | None:
    """Return the three line currents [A], None unless the reading has all of them.

    >>> phases_of({"current_l1": 80.0, "current_l2": 81, "current_l3": 79.0}), phases_of({"current_l1": 80.0})
    ((80.0, 81.0, 79.0), None)
    """
    a, b, c = (values.get(key) for key in PHASES)
    if a is None or b is None or c is None or isinstance(a, str) or isinstance(b, str) or isinstance(c, str):
        return None
    return float(a), float(b), float(c)


def lost_phase(phases: tuple[float, float, float], on_a: float) -> str | None:
    """Return the phase that is lost, "" when none is; None when too little flows to tell.

    >>> lost_phase((80.0, 81.0, 0.4), 12.0), lost_phase((80.0, 81.0, 60.0), 12.0), lost_phase((0.1, 0.0, 0.1), 12.0)
    ('L3', '', None)
    >>> lost_phase((80.0, 0.4, 0.0), 12.0) is None     # one current alone is a broken transducer, or two registers of another moment
    True
    """
    low, middle, high = sorted(phases)
    if high < on_a or middle <= LOST_PHASE_SHARE * high:
        return None
    return f"L{phases.index(low) + 1}" if low <= LOST_PHASE_SHARE * high else ""


def told_by_device(starter: Starter, values: Mapping[str, Scalar], trip_code: Scalar | None) -> bool | None:
    """Return whether the device says that a phase is lost; None when it says nothing on it."""
    flag = values.get("phase_loss")
    if flag is not None and not isinstance(flag, str):
        if flag:
            return True
        if not values.get("tripped"):
            return False
    tripped = values.get("tripped")
    if tripped is None:
        return None
    if not tripped or trip_code is None:
        return False
    text = trip_code if isinstance(trip_code, str) else starter.signals.texts.get("trip_code", {}).get(int(trip_code), "")
    return any(word in text.lower() for word in _WORDS)


@dataclass(slots=True)
class PhaseWatch:
    """What is known of a lost phase: `lost` is its name ("" for none), `by_device` that only the device says so; `seen` and `seen_at` are
    what one reading has shown and the next must confirm."""

    lost: str = ""
    by_device: bool = False
    seen: str = ""
    seen_at: Instant | None = None

    def take(self, at: Instant, seen: str | None, told: bool | None) -> str | None:
        """Fold one reading; return the phase that is now known to be lost when that is new.

        >>> watch = PhaseWatch()
        >>> [watch.take(at, "L2", None) for at in (0, 100_000, 400_000, 500_000)], watch.lost
        ([None, None, 'L2', None], 'L2')
        >>> [watch.take(at, "", None) for at in (600_000, 1_000_000)], watch.lost
        ([None, None], '')
        """
        before = self.lost
        if told:
            self.lost, self.by_device = self.lost or A_PHASE, self.by_device or not self.lost
        elif told is False and self.by_device:
            self.lost, self.by_device = "", False
        self._look(at, seen)
        return self.lost if self.lost and not before else None

    def _look(self, at: Instant, seen: str | None) -> None:
        if seen is None or (seen == self.lost and not self.by_device):
            self.seen_at = None
            return
        if self.seen_at is None or seen != self.seen:
            self.seen, self.seen_at = seen, at
        elif seconds_between(self.seen_at, at) >= CONFIRM_S:
            self.seen_at = None
            if seen or not self.by_device:
                self.lost, self.by_device = seen, False

    @property
    def doubtful(self) -> bool:
        """True while the next reading may change what is known."""
        return self.seen_at is not None

    def shift(self, by_us: int) -> None:
        """Move every instant, after the wall clock was set."""
        self.seen_at = None if self.seen_at is None else self.seen_at + by_us
