"""Durations in words are never too short."""

from __future__ import annotations

import re

from hypothesis import given as cases
from hypothesis import strategies as st

from gateway.motors.wording import duration_words

_UNIT_S = {"h": 3600, "min": 60, "s": 1}


@cases(st.floats(0.0, 200_000.0))
def test_words_say_the_duration_rounded_up(duration_s: float) -> None:
    said_s = sum(int(number) * _UNIT_S[unit] for number, unit in re.findall(r"(\d+) (h|min|s)", duration_words(duration_s)))
    assert duration_s <= said_s <= duration_s + (60.0 if duration_s > 7200.0 else 1.0)
