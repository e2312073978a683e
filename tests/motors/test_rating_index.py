"""The rating index: tables that follow from the definitions of IEC 60947-4-2, spellings, and what is refused."""

from __future__ import annotations

import pytest
from hypothesis import given as cases
from hypothesis import strategies as st

from gateway.motors.rating_index import parse_rating


# Computed from the definitions.
@pytest.mark.parametrize(
    ("text", "cycle_s", "on_s", "off_s", "run_s", "rms"),
    [
        ("AC-53a: 3.5-17: 90-5", 720, 648, 72, 631, 1.0796),
        ("AC-53a: 3-10: 50-6", 600, 300, 300, 290, 0.7958),
        ("AC-53a: 4-20: 50-6", 600, 300, 300, 280, 1.0000),
        ("AC-53a: 3.5-15: 50-10", 360, 180, 180, 165, 0.9843),
    ],
)
def test_type_a(text: str, cycle_s: float, on_s: float, off_s: float, run_s: float, rms: float) -> None:
    rating = parse_rating(text)
    assert (rating.cycle_s, rating.on_s, rating.run_s) == pytest.approx((cycle_s, on_s, run_s))
    assert rating.rest_s == pytest.approx(off_s)
    assert rating.rms_ratio == pytest.approx(rms, abs=5e-5)


@pytest.mark.parametrize(
    ("text", "rate", "rms"),
    [
        ("AC-53b: 3-10: 350", 10, 0.5000),
        ("AC-53b: 4-20: 580", 6, 0.7303),
        ("AC-53b: 3.5-15: 345", 10, 0.7144),
        ("AC-53b: 4.5-30: 690", 5, 0.9186),
    ],
)
def test_type_b(text: str, rate: float, rms: float) -> None:
    rating = parse_rating(text)
    assert rating.starts_per_hour == pytest.approx(rate)
    assert rating.rms_ratio == pytest.approx(rms, abs=5e-5)
    assert (rating.on_s, rating.run_s) == (rating.tx_s, 0.0)


@pytest.mark.parametrize(
    "text",
    [
        "85 A: AC-53a: 3.5-17: 90-5",
        "85A : AC-53a : 3.5-17 : 90-5",
        "85:ac53a:3.5-17:90-5",
        "85 a: AC-53a 3.5 - 17 : 90 - 5",
        "85 A: AC-53a: 3.5\N{EN DASH}17: 90 %\N{EN DASH}5",
        "85.0 A: AC-53a: 3.5-17 s: 90%-5",
    ],
)
def test_spellings_of_one_rating(text: str) -> None:
    rating = parse_rating(text)
    assert (rating.category, rating.ie_a, rating.x, rating.tx_s, rating.on_load_pct, rating.rated_starts_per_hour) == (
        "AC-53a", 85.0, 3.5, 17.0, 90.0, 5.0,
    )  # fmt: skip


@pytest.mark.parametrize("text", ["AC-53b: 3-10: 350", "AC-53b:3-10:350 s", "ac53b 3-10:350", "AC-53b-3-10:350s"])
def test_spellings_of_one_type_b_rating(text: str) -> None:
    rating = parse_rating(text)
    assert (rating.category, rating.ie_a, rating.off_time_s) == ("AC-53b", None, 350.0)


@pytest.mark.parametrize(("text", "category"), [("AC-52a: 4-10: 50-6", "AC-52a"), ("AC-58b: 3-10: 350", "AC-58b")])
def test_other_categories(text: str, category: str) -> None:
    assert parse_rating(text).category == category


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("AC-53a: 3,5-17: 90-5", "decimal comma"),
        ("", "utilisation category"),
        ("AC-3: 3-10: 350", "utilisation category"),
        ("AC-53c: 3-10: 350", "utilisation category"),
        ("AC-53b: 3: 350", "not X-Tx"),
        ("AC-53b: x-10: 350", "not X-Tx"),
        ("AC-53b: 0.5-10: 350", "at least 1"),
        ("AC-53b: 3-0: 350", "Tx 0 s"),
        ("AC-53b: 3-10", "the OFF-time must follow"),
        ("AC-53b: 3-10:", "the OFF-time must follow"),
        ("AC-53a: 3-10", "F-S must follow"),
        ("AC-53b: 3-10: 350: 5", "the OFF-time must follow"),
        ("AC-53b: 3-10: 50-6", "belongs to type a"),
        ("AC-53b: 3-10: soon", "not a number of seconds"),
        ("AC-53b: 3-10: 0", "OFF-time is 0"),
        ("AC-53a: 3-10: 350", "not F-S"),
        ("AC-53a: 3-10: 0-6", "F is 0 %"),
        ("AC-53a: 3-10: 101-6", "F is 101 %"),
        ("AC-53a: 3-10: 50-0", "S is 0"),
        ("AC-53a: 3-301: 50-6", "longer than the on-load time"),
        ("0 A: AC-53b: 3-10: 350", "Ie must be above 0"),
    ],
)
def test_what_is_refused_and_why(text: str, what: str) -> None:
    with pytest.raises(ValueError, match="allowed: Ie: AC-53a") as refusal:
        parse_rating(text)
    assert what in str(refusal.value)


@cases(x=st.floats(1.0, 9.0), tx=st.floats(0.1, 99.0), f=st.floats(1.0, 100.0), s=st.floats(0.1, 30.0))
def test_a_rating_loads_as_much_as_its_parts(x: float, tx: float, f: float, s: float) -> None:
    text = f"AC-53a: {x:.3f}-{tx:.3f}: {f:.3f}-{s:.3f}"
    try:
        rating = parse_rating(text)
    except ValueError as refusal:
        assert "longer than the on-load time" in str(refusal)
        return
    assert rating.tx_s + rating.run_s + rating.rest_s == pytest.approx(rating.cycle_s)
    assert rating.rms_ratio**2 * rating.cycle_s == pytest.approx(rating.i2t_ie2s + rating.run_s)


@cases(st.text(max_size=30))
def test_any_other_text_is_refused_with_a_message_and_nothing_else(text: str) -> None:
    try:
        parse_rating(text)
    except ValueError as refusal:
        assert "allowed" in str(refusal)
