"""Voltage dip and times from the command."""

from __future__ import annotations

import pytest

from gateway.instants import SECOND
from gateway.motors.reading import Reading, Scalar
from gateway.motors.records import Start
from gateway.motors.start_figures import Edge, Sample
from gateway.motors.start_supply import COMMAND_BEFORE_S, commanded, voltage_dip
from gateway.motors.watch import Watch
from tests.motors.strips import OFF, RAMPS, SPEED, Piece, falling, fold, starter, starts_in, strip

BEGAN, ENDED = Edge(50_000, 0.05), Edge(1_000_000, 0.05)


def volts(*values: Scalar | None) -> list[Sample]:
    return [Sample(100_000 * place, 300.0, {} if value is None else {"voltage": value}) for place, value in enumerate(values)]


def test_the_lowest_is_the_lowest_median_of_three() -> None:
    dip = voltage_dip(volts(400.0, 390.0, 200.0, 388.0, 386.0, 387.0, 390.0), BEGAN, ENDED, 400.0, 0.0)
    assert dip is not None and dip.lowest_v == 386.0, "one bad sample makes no dip"
    assert dip.dip_pct == pytest.approx(3.5)
    assert dip.error_pct is not None and dip.error_pct < 2.0, "nor a wide band"


def test_two_samples_are_taken_as_they_are() -> None:
    dip = voltage_dip(volts(400.0, 390.0, 380.0), BEGAN, ENDED, 400.0, 0.0)
    assert dip is not None and dip.lowest_v == 380.0


@pytest.mark.parametrize("before_v", [None, 0.0])
def test_without_a_voltage_before_only_the_lowest_is_known(before_v: float | None) -> None:
    dip = voltage_dip(volts(None, 390.0, 391.0, 392.0), BEGAN, ENDED, before_v, 5.0)
    assert dip is not None and (dip.lowest_v, dip.dip_pct, dip.error_pct) == (391.0, None, None)


def test_what_was_not_read_is_no_dip() -> None:
    assert voltage_dip(volts(400.0, None, "low"), BEGAN, ENDED, 400.0, 0.0) is None


def test_the_band_grows_with_scatter_and_with_the_peak_band() -> None:
    calm, noisy = volts(400.0, *[380.0] * 8), volts(400.0, *[380.0, 382.0] * 4)
    bands = [voltage_dip(series, BEGAN, ENDED, 400.0, peak) for series, peak in ((calm, 0.0), (calm, 20.0), (noisy, 0.0), (noisy, 20.0))]
    errors = [band.error_pct for band in bands if band is not None and band.error_pct is not None]
    assert errors[0] == 0.0
    assert errors[1] == pytest.approx(1.0), "a fifth of 5 %"
    assert errors[0] < errors[2] < errors[3]


@pytest.mark.parametrize(
    ("edge", "expected"),
    [
        (None, None),
        ((0, 100_000), True),
        ((100_000, 200_000), True),  # read in the reading after the one that showed current: within the band
        ((900_000, 1_000_000), None),
        ((-200 * SECOND, -200 * SECOND + 100_000), None),
    ],
)
def test_which_command_belongs_to_a_start(edge: tuple[int, int] | None, expected: bool | None) -> None:
    found = commanded(edge, BEGAN, None, 0.0)
    assert (found is not None) is bool(expected)
    assert COMMAND_BEFORE_S < 200.0


def test_a_start_that_did_not_reach_speed_has_no_time_to_it() -> None:
    found = commanded((0, 20_000), Edge(SECOND, 0.05), None, 0.1)
    assert found is not None and found.to_speed_s is None
    assert found.to_begin_s == pytest.approx(0.99)
    assert found.error_s == pytest.approx(0.5 * (0.02 + 0.1) + 0.05)


# Through the watch.


def commanded_start(delay_s: float, period_s: float = 0.1, command: bool = True) -> Start:
    told: dict[str, Scalar] = {"command": True} if command else {}
    silent: dict[str, Scalar] = {"command": False} if command else {}
    pieces = [
        Piece(5.0, 0.0, OFF, {"voltage": 400.0, **silent}),
        Piece(delay_s, 0.0, OFF, {"voltage": 400.0, **told}),
        Piece(6.0, 3.5, RAMPS, {"voltage": 388.0, **told}),
        Piece(0.6, falling(3.5, 0.9, 0.6), RAMPS, {"voltage": 392.0, **told}),
        Piece(20.0, 0.9, SPEED, {"voltage": 398.0, **told}),
    ]
    (start,) = starts_in(fold(Watch(starter()), strip(pieces, period_s, 0.03)))
    return start


@pytest.mark.parametrize("delay_s", [0.0, 0.4, 3.0, 30.0])
@pytest.mark.parametrize("period_s", [0.1, 0.5])
def test_times_from_the_command_lie_in_their_band(delay_s: float, period_s: float) -> None:
    start = commanded_start(delay_s, period_s)
    assert start.command_to_begin_s is not None and start.command_error_s is not None and start.command_to_speed_s is not None
    assert start.command_to_begin_s == pytest.approx(delay_s, abs=start.command_error_s)
    # From 3.5 to 0.9 in 0.6 s: 1.25 is passed after 0.52 s.
    assert start.command_to_speed_s == pytest.approx(delay_s + 6.52, abs=start.command_error_s)


def test_a_map_without_the_bit_has_no_times() -> None:
    start = commanded_start(1.0, command=False)
    assert (start.command_to_begin_s, start.command_to_speed_s, start.command_error_s) == (None, None, None)


def test_the_dip_of_a_start() -> None:
    start = commanded_start(1.0)
    assert (start.lowest_voltage_v, start.voltage_dip_pct) == (388.0, pytest.approx(3.0))
    assert start.voltage_dip_error_pct is not None and start.voltage_dip_error_pct < 1.0


def test_a_command_counts_for_one_start_only() -> None:
    on: dict[str, Scalar] = {"command": True}
    start = [Piece(4.0, 3.5, RAMPS, on), Piece(0.6, falling(3.5, 0.9, 0.6), RAMPS, on), Piece(10.0, 0.9, SPEED, on)]
    pieces = [Piece(3.0, 0.0, OFF, {"command": False}), *start, Piece(5.0, 0.0, OFF, on), *start]
    first, second = starts_in(fold(Watch(starter()), strip(pieces)))
    assert first.command_to_begin_s is not None
    assert second.command_to_begin_s is None, "the motor was started again without a new command"


def test_the_command_survives_a_clock_that_is_set_back() -> None:
    watch = Watch(starter())
    on: dict[str, Scalar] = {"command": True}
    readings = strip([Piece(3.0, 0.0, OFF, {"command": False}), Piece(2.0, 0.0, OFF, on), Piece(1.0, 3.5, RAMPS, on)])
    later = strip([Piece(1.0, 3.5, RAMPS, on), Piece(0.6, falling(3.5, 0.9, 0.6), RAMPS, on), Piece(10.0, 0.9, SPEED, on)])
    begin = readings[-1].at + 100_000
    back = [Reading(reading.at + begin - 3600 * SECOND, reading.values) for reading in later]
    fold(watch, readings)
    (start,) = starts_in(fold(watch, back))
    assert start.command_to_begin_s == pytest.approx(2.0, abs=0.3)
