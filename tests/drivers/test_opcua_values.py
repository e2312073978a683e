"""Status to quality, stamps to time, notifications to readings in order: all without a server."""

from __future__ import annotations

import random

import pytest

from gateway.drivers.base import FaultKind
from gateway.drivers.opcua_faults import fault_of_status, unreadable
from gateway.drivers.opcua_values import Image, NodeValue, moment_of, quality_of, value_of
from gateway.instants import SECOND, Instant
from gateway.motors.reading import Flaw, Quality, Reading, TimeSource
from gateway.registers.model import OpcuaPlace, Signal

NOW: Instant = 1_700_000_000 * SECOND


def signal(name: str, plausible: tuple[float, float] | None = None) -> Signal:
    return Signal(name=name, key=name, role=name, place=OpcuaPlace(identifier="i=1"), type=None, unit="A", plausible=plausible)


CURRENT, RUNNING = signal("current"), signal("running")


def node(
    raw: object,
    *,
    status: int = 0,
    name: str = "Good",
    source: Instant | None = None,
    server: Instant | None = None,
    received: Instant = NOW,
) -> NodeValue:
    return NodeValue(raw, status, name, source, server, received)


@pytest.mark.parametrize(
    ("code", "quality"),
    # OPC Foundation UA-Nodeset, Schema/StatusCode.csv.
    [
        (0x00000000, Quality.GOOD),
        (0x00300000, Quality.GOOD),
        (0x40000000, Quality.UNCERTAIN),
        (0x408F0000, Quality.UNCERTAIN),
        (0x40940000, Quality.UNCERTAIN),
        (0x80000000, Quality.BAD),
        (0x80310000, Quality.BAD),
        (0x80340000, Quality.BAD),
        (0xC0000000, Quality.BAD),
    ],
)
def test_the_two_highest_bits_are_the_quality(code: int, quality: Quality) -> None:
    assert quality_of(code) is quality


def test_a_bad_value_is_no_value_and_an_uncertain_one_is_both() -> None:
    assert value_of(CURRENT, node(5.0)) == (5.0, None)
    assert value_of(CURRENT, node(5.0, status=0x80310000, name="BadNoCommunication")) == (
        None,
        Flaw(Quality.BAD, "the server says BadNoCommunication"),
    )
    value, flaw = value_of(CURRENT, node(5.0, status=0x40900000, name="UncertainLastUsableValue"))
    assert value == 5.0
    assert flaw == Flaw(Quality.UNCERTAIN, "the server says UncertainLastUsableValue")


@pytest.mark.parametrize("raw", [None, [1.0, 2.0], float("nan"), float("inf"), b"\1", "12"])
def test_what_is_no_number_is_no_current(raw: object) -> None:
    value, flaw = value_of(CURRENT, node(raw))
    assert value is None
    assert flaw is not None
    assert flaw.quality is Quality.BAD


@pytest.mark.parametrize(("raw", "is_count"), [(7, True), (7.0, True), (0, True), (-3, False), (2.5, False), (True, False)])
def test_only_a_whole_number_is_a_count_of_starts(raw: object, is_count: bool) -> None:
    value, flaw = value_of(signal("start_count"), node(raw))
    assert (value == raw) is is_count
    assert (flaw is None) is is_count
    assert is_count or flaw == Flaw(Quality.BAD, f"the server gave {value_of(CURRENT, node(raw))[0]} where a count is needed")


def test_source_time_is_preferred_to_server_time_to_receipt() -> None:
    source, server = NOW - SECOND, NOW - SECOND // 2
    assert moment_of([node(1, source=source, server=server)], 0) == (source, TimeSource.SOURCE)
    assert moment_of([node(1, server=server)], 0) == (server, TimeSource.SERVER)
    assert moment_of([node(1)], 0) == (NOW, TimeSource.RECEIVED)
    assert moment_of([node(1, source=source), node(2, source=source + 5)], 0) == (source + 5, TimeSource.SOURCE)


@pytest.mark.parametrize("skew_s", [-3600, -11, 3, 86_400])
def test_a_stamp_far_from_receipt_is_passed_over(skew_s: int) -> None:
    assert moment_of([node(1, source=NOW + skew_s * SECOND, server=NOW - 7)], 0) == (NOW - 7, TimeSource.SERVER)


def test_a_value_that_has_not_changed_moves_time_on_all_the_same() -> None:
    source = NOW - SECOND
    assert moment_of([node(1, source=source, server=NOW - 7)], source) == (NOW - 7, TimeSource.SERVER)
    assert moment_of([node(1, source=source)], source) == (NOW, TimeSource.RECEIVED)
    assert moment_of([node(1)], NOW + SECOND) == (NOW + SECOND + 1, TimeSource.RECEIVED)
    assert moment_of([node(1)], NOW + 3600 * SECOND) == (NOW, TimeSource.RECEIVED)


def test_values_of_one_instant_make_one_reading() -> None:
    image = Image()
    readings = image.take(
        [(CURRENT, node(0.0, source=NOW - 9)), (RUNNING, node(False, source=NOW - 9)), (CURRENT, node(300.0, source=NOW - 5))]
    )
    assert readings == [
        Reading(NOW - 9, {"current": 0.0, "running": False}, time_source=TimeSource.SOURCE),
        Reading(NOW - 5, {"current": 300.0, "running": False}, time_source=TimeSource.SOURCE),
    ]


def test_the_order_of_arrival_does_not_matter() -> None:
    seed = 1
    changes = [(CURRENT, node(float(step), source=NOW - 1000 + step)) for step in range(200)]
    expected = Image().take(changes)
    for _ in range(20):
        shuffled = changes.copy()
        random.Random(seed).shuffle(shuffled)
        assert Image().take(shuffled) == expected, f"seed {seed}"
    assert len(expected) == 200
    assert [reading.at for reading in expected] == sorted(reading.at for reading in expected)


def test_the_same_value_again_makes_no_reading() -> None:
    image = Image()
    assert len(image.take([(CURRENT, node(5.0, source=NOW - 9))])) == 1
    assert image.take([(CURRENT, node(5.0, source=NOW - 5))]) == []


def test_a_change_that_comes_too_late_is_shown_at_the_next_trusted_time() -> None:
    image = Image()
    image.last_at = NOW - 5
    (reading,) = image.take([(CURRENT, node(5.0, source=NOW - 9, server=NOW - 2))])
    assert (reading.at, reading.time_source) == (NOW - 2, TimeSource.SERVER)
    image.last_at = NOW + SECOND
    image.take([(CURRENT, node(6.0, source=NOW - 9))])
    assert image.values == {"current": 6.0}


def test_a_value_that_turns_bad_is_gone_and_comes_back() -> None:
    image = Image()
    good, bad, again = image.take(
        [
            (CURRENT, node(5.0, source=NOW - 9)),
            (CURRENT, node(5.0, status=0x80310000, name="BadNoCommunication", source=NOW - 8)),
            (CURRENT, node(5.0, source=NOW - 7)),
        ]
    )
    assert dict(good.values) == {"current": 5.0}
    assert not bad.has_data
    assert bad.quality_of("current") is Quality.BAD
    assert dict(again.values) == {"current": 5.0}
    assert dict(again.flaws) == {}


def test_readings_already_given_do_not_change_later() -> None:
    image = Image()
    (first,) = image.take([(CURRENT, node(5.0, source=NOW - 9))])
    image.take([(CURRENT, node(6.0, source=NOW - 8))])
    assert dict(first.values) == {"current": 5.0}


def test_a_reading_without_values_keeps_the_order_of_time() -> None:
    image = Image()
    image.last_at = NOW + SECOND
    flaw = Flaw(Quality.BAD, "gone")
    assert image.bad_reading(NOW, {"current": flaw}).at == NOW + SECOND + 1
    assert image.bad_reading(NOW - 3600 * SECOND, {"current": flaw}).at == NOW - 3600 * SECOND
    assert image.last_at == NOW + SECOND + 1


def test_an_overflow_of_the_servers_queue_is_seen() -> None:
    assert node(1, status=0x480).lost_changes
    assert not node(1, status=0x400).lost_changes


@pytest.mark.parametrize(
    ("status", "kind"),
    [
        ("BadTooManySessions", FaultKind.REFUSED),
        ("BadSessionIdInvalid", FaultKind.CLOSED),
        ("BadSessionNotActivated", FaultKind.CLOSED),
        ("BadServerHalted", FaultKind.CLOSED),
        ("BadIdentityTokenRejected", FaultKind.SECURITY),
        ("BadCertificateUntrusted", FaultKind.SECURITY),
        ("BadTimeout", FaultKind.NO_ANSWER),
        ("BadOutOfMemory", FaultKind.BAD_STATUS),
    ],
)
def test_a_refusal_is_named_and_told_in_words(status: str, kind: FaultKind) -> None:
    fault = fault_of_status(status)
    assert fault.kind is kind
    assert status in fault.text
    assert fault.breaks_link


def test_a_reply_that_makes_no_sense_is_garbage() -> None:
    assert unreadable(ValueError("x")).kind is FaultKind.GARBAGE
