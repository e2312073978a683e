"""Middle, spread, extreme and error of the figures; a change is told when it is clear and not before."""

from __future__ import annotations

from dataclasses import replace

import pytest

from gateway.motors.facts import LoadKind
from gateway.motors.reading import Quality
from gateway.motors.records import Outcome, Start
from gateway.web.reports.content import busiest_of
from gateway.web.reports.figures import changes_of, figures_of
from gateway.web.reports.words import change_words, error_places, figure_cells
from gateway.web.usual import Band, Usual
from tests.web.tarn_hollow import NOW, seen_start, starter_of, unseen_start

STARTER = starter_of("DC-01", "dust-collector fan", 45, 81, LoadKind.FAN)
BEFORE = Usual(count=30, duration_s=Band(9.0, 10.0))


def starts(*durations_s: float) -> list[Start]:
    return [seen_start(STARTER, place + 1, NOW + place, duration_s) for place, duration_s in enumerate(durations_s)]


def test_the_middle_is_of_good_starts_and_the_largest_of_all() -> None:
    cut = replace(seen_start(STARTER, 9, NOW, 25.0, outcome=Outcome.STALLED), duration_error_s=0.4)
    doubtful = replace(seen_start(STARTER, 10, NOW, 3.0), quality=Quality.UNCERTAIN)
    duration = figures_of(STARTER, [*starts(9.0, 10.0, 11.0), cut, doubtful, unseen_start(11, NOW, NOW)], BEFORE)[0]
    assert (duration.count, duration.median, duration.largest, duration.largest_number, duration.error) == (3, 10.0, 25.0, 9, 0.4)
    assert (duration.low, duration.high) == (pytest.approx(9.2), pytest.approx(10.8))
    assert figure_cells(duration) == ("9.2 to 10.8", "10.0", "25.0 (start 9)", "± 0.4", "9.0 to 10.0")


def test_without_a_start_every_figure_is_a_dash() -> None:
    for figure in figures_of(STARTER, [], Usual(count=0)):
        assert figure_cells(figure) == ("—", "—", "—", "", "—")


def test_an_error_has_two_digits_that_matter_at_most() -> None:
    duration = figures_of(STARTER, starts(9.0), BEFORE)[0]
    assert error_places(replace(duration, error=0.05)) == 2
    assert error_places(replace(duration, error=1.23)) == 1


def test_eight_clearly_longer_starts_are_a_change() -> None:
    (change,) = changes_of(figures_of(STARTER, starts(*[11.0] * 8), BEFORE))
    assert change_words(change) == "duration in the middle 11.0 s, before 9.0 to 10.0 s (+16 %)"


def test_shorter_starts_are_a_change_too() -> None:
    (change,) = changes_of(figures_of(STARTER, starts(*[8.0] * 8), BEFORE))
    assert change_words(change) == "duration in the middle 8.0 s, before 9.0 to 10.0 s (−16 %)"


@pytest.mark.parametrize("durations_s", [[11.0] * 7, [10.35] * 8, [10.0] * 8, [11.0] * 4 + [9.5] * 5])
def test_few_slight_or_mixed_starts_are_none(durations_s: list[float]) -> None:
    assert changes_of(figures_of(STARTER, starts(*durations_s), BEFORE)) == ()


def test_a_change_within_its_error_is_none() -> None:
    wide = [replace(start, duration_error_s=1.0) for start in starts(*[11.0] * 8)]
    assert changes_of(figures_of(STARTER, wide, BEFORE)) == ()


def test_no_start_is_no_busiest_hour() -> None:
    assert (busiest_of([]).count, busiest_of([]).from_at) == (0, None)
