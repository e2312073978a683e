"""The rating index of a semiconductor motor controller, as printed on its plate (IEC 60947-4-2).

    Ie : AC-53a : X-Tx : F-S         85 A: AC-53a: 3.5-17: 90-5
    Ie : AC-53b : X-Tx : OFF-time    85 A: AC-53b: 3-10: 350

X: start current as a multiple of Ie. Tx: its duration [s]. F: on-load time of the cycle [%]. S: evenly spaced starts an hour. OFF-time:
least time in seconds between the end of a start and the next one, in which the semiconductors carry nothing: the motor may run on the
bypass meanwhile. Categories 52 (slip-ring motors), 53 (cage motors), 58 (hermetic compressors); the format is from secondary sources -
confirm.

What follows from the definitions:
    a: cycle = 3600 / S, on = F/100 cycle, off = cycle - on, run at Ie = on - Tx >= 0, r.m.s. = sqrt((X^2 Tx + on - Tx) / cycle)
    b: cycle = Tx + OFF, S = 3600 / cycle, r.m.s. = sqrt(X^2 Tx / cycle)
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

ALLOWED = "Ie: AC-53a: X-Tx: F-S (for example 85 A: AC-53a: 3.5-17: 90-5) or Ie: AC-53b: X-Tx: OFF-time (for example AC-53b: 3-10: 350)"

_NUMBER = r"\d+(?:\.\d+)?"
_HEAD = re.compile(rf"(?:(?P<ie>{_NUMBER})a?:)?ac-?(?P<category>5[238])(?P<kind>[ab])[:-]?(?P<rest>.*)")
_PAIR = re.compile(rf"(?P<first>{_NUMBER})-(?P<second>{_NUMBER})")


@dataclass(frozen=True, slots=True, kw_only=True)
class RatingIndex:
    """A rating index. `ie_a`: rated current [A], None when the text does not give it. Type a has `on_load_pct` and `rated_starts_per_hour`,
    type b `off_time_s`."""

    category: str
    kind: Literal["a", "b"]
    ie_a: float | None
    x: float
    tx_s: float
    on_load_pct: float | None = None
    rated_starts_per_hour: float | None = None
    off_time_s: float | None = None

    @property
    def i2t_ie2s(self) -> float:
        """Return the I2t of the rated start on the base of Ie [s]."""
        return self.x**2 * self.tx_s

    @property
    def cycle_s(self) -> float:
        """Return the time from one rated start to the next [s]."""
        if self.rated_starts_per_hour is not None:
            return 3600.0 / self.rated_starts_per_hour
        return self.tx_s + self.rest_s

    @property
    def on_s(self) -> float:
        """Return the on-load time of a cycle, the start included [s]."""
        return self.tx_s if self.on_load_pct is None else self.on_load_pct / 100.0 * self.cycle_s

    @property
    def rest_s(self) -> float:
        """Return the time of a cycle in which the semiconductors carry nothing [s]."""
        return self.off_time_s if self.off_time_s is not None else self.cycle_s - self.on_s

    @property
    def run_s(self) -> float:
        """Return the time of a cycle at Ie after the start [s]."""
        return self.on_s - self.tx_s

    @property
    def starts_per_hour(self) -> float:
        """Return the rate of rated starts [1/h]."""
        return 3600.0 / self.cycle_s

    @property
    def rms_ratio(self) -> float:
        """Return the r.m.s. loading over the cycle, x Ie."""
        return math.sqrt((self.i2t_ie2s + self.run_s) / self.cycle_s)


@lru_cache(maxsize=1024)
def parse_rating(text: str) -> RatingIndex:
    """Return the rating index that `text` means; ValueError says what is wrong and what is allowed.

    Case, blanks and a missing hyphen after AC do not matter; Ie, its unit, `%` after F and `s` after the times may be left out or given.

    >>> rating = parse_rating("85 A: AC-53a: 3.5-17: 90-5")
    >>> rating.ie_a, rating.cycle_s, rating.on_s, rating.rest_s, rating.run_s, round(rating.rms_ratio, 4)
    (85.0, 720.0, 648.0, 72.0, 631.0, 1.0796)
    >>> parse_rating("ac53b 3-10:350").starts_per_hour
    10.0
    """
    compact = re.sub(r"\s+", "", text.replace("\N{EN DASH}", "-").replace("\N{MINUS SIGN}", "-")).lower()
    if re.search(r"\d,\d", compact):
        raise _refusal(text, "a decimal comma is not understood, write a point")
    head = _HEAD.fullmatch(compact)
    if head is None:
        raise _refusal(text, "it does not begin with a utilisation category such as AC-53a or AC-53b")
    kind: Literal["a", "b"] = "a" if head["kind"] == "a" else "b"
    start, *duty = head["rest"].split(":")
    pair = _PAIR.fullmatch(start.removesuffix("s"))
    if pair is None:
        raise _refusal(text, f"the start {start!r} is not X-Tx")
    x, tx_s = float(pair["first"]), float(pair["second"])
    if x < 1.0 or tx_s <= 0.0:
        raise _refusal(text, f"X is {x:g} and Tx {tx_s:g} s; X must be at least 1 and Tx above 0")
    if len(duty) != 1 or not duty[0]:
        missing = "F-S" if kind == "a" else "the OFF-time"
        raise _refusal(text, f"after X-Tx exactly {missing} must follow")
    on_load_pct, rate, off_time_s = _cyclic_duty(text, duty[0]) if kind == "a" else (None, None, _off_time_s(text, duty[0]))
    rating = RatingIndex(
        category=f"AC-{head['category']}{kind}",
        kind=kind,
        ie_a=None if head["ie"] is None else float(head["ie"]),
        x=x,
        tx_s=tx_s,
        on_load_pct=on_load_pct,
        rated_starts_per_hour=rate,
        off_time_s=off_time_s,
    )
    if rating.ie_a is not None and rating.ie_a <= 0.0:
        raise _refusal(text, "Ie must be above 0 A")
    if rating.run_s < 0.0:
        raise _refusal(text, f"Tx {rating.tx_s:g} s is longer than the on-load time {rating.on_s:g} s of a cycle of {rating.cycle_s:g} s")
    return rating


def _cyclic_duty(text: str, duty: str) -> tuple[float, float, None]:
    pair = _PAIR.fullmatch(duty.replace("%", ""))
    if pair is None:
        raise _refusal(text, f"{duty!r} is not F-S, which type a needs")
    on_load_pct, rate = float(pair["first"]), float(pair["second"])
    if not 0.0 < on_load_pct <= 100.0:
        raise _refusal(text, f"F is {on_load_pct:g} %; it must be above 0 and at most 100")
    if rate <= 0.0:
        raise _refusal(text, "S is 0; it must be above 0 starts an hour")
    return on_load_pct, rate, None


def _off_time_s(text: str, duty: str) -> float:
    if _PAIR.fullmatch(duty.replace("%", "")) is not None:
        raise _refusal(text, f"{duty!r} looks like F-S, which belongs to type a; type b needs the OFF-time in seconds")
    if re.fullmatch(_NUMBER, duty.removesuffix("s")) is None:
        raise _refusal(text, f"the OFF-time {duty!r} is not a number of seconds")
    off_time_s = float(duty.removesuffix("s"))
    if off_time_s <= 0.0:
        raise _refusal(text, "the OFF-time is 0; it must be above 0 s")
    return off_time_s


def _refusal(text: str, what: str) -> ValueError:
    return ValueError(f"rating {text!r}: {what}; allowed: {ALLOWED}")
