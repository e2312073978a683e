"""Spoiled replies, byte by byte, and the switch that chooses them."""

from __future__ import annotations

import random

import pytest

from simulators.faults import FaultSwitch, ReplyFault, Trouble, spoiled

# Reply to "read holding registers" of the Modbus Application Protocol V1.1b3, 6.3, with transaction 0x0102 and unit 5.
REPLY = bytes.fromhex("0102 0000 0009 05 03 06 022B 0000 0064")
EXCEPTION_REPLY = bytes.fromhex("0102 0000 0003 05 83 02")


@pytest.mark.parametrize(
    ("kind", "frame"),
    [
        (ReplyFault.WRONG_ID, "5B5C 0000 0009 05 03 06 022B 0000 0064"),
        (ReplyFault.PREVIOUS_ID, "0101 0000 0009 05 03 06 022B 0000 0064"),
        (ReplyFault.ID_ZERO, "0000 0000 0009 05 03 06 022B 0000 0064"),
        (ReplyFault.WRONG_UNIT, "0102 0000 0009 06 03 06 022B 0000 0064"),
        (ReplyFault.WRONG_FUNCTION, "0102 0000 0009 05 04 06 022B 0000 0064"),
        (ReplyFault.SHORT, "0102 0000 0007 05 03 04 022B 0000"),
        (ReplyFault.LONG, "0102 0000 000B 05 03 08 022B 0000 0064 1234"),
        (ReplyFault.ODD, "0102 0000 0008 05 03 05 022B 0000 00"),
        (ReplyFault.EXCEPTION, "0102 0000 0003 05 83 06"),
        (ReplyFault.LATE, "0102 0000 0009 05 03 06 022B 0000 0064"),
        (ReplyFault.CUT, "0102 0000 0009 05 03 06 022B 0000 0064"),
    ],
)
def test_spoiled_bytes(kind: ReplyFault, frame: str) -> None:
    assert spoiled(REPLY, Trouble(kind=kind, exception_code=6), random.Random(1)) == bytes.fromhex(frame)


@pytest.mark.parametrize("kind", [ReplyFault.SHORT, ReplyFault.LONG, ReplyFault.ODD])
def test_an_exception_reply_has_no_data_to_spoil(kind: ReplyFault) -> None:
    assert spoiled(EXCEPTION_REPLY, Trouble(kind=kind), random.Random(1)) == EXCEPTION_REPLY


def test_a_wrong_id_is_never_zero_nor_the_right_one() -> None:
    for transaction in range(0x10000):
        frame = spoiled(transaction.to_bytes(2, "big") + REPLY[2:], Trouble(kind=ReplyFault.WRONG_ID), random.Random(1))
        assert int.from_bytes(frame[:2], "big") not in (0, transaction)


def test_garbage_is_the_same_for_the_same_seed() -> None:
    first, second = (spoiled(REPLY, Trouble(kind=ReplyFault.GARBAGE), random.Random(7)) for _ in range(2))
    assert first == second
    assert len(first) == 300


def drawn(switch: FaultSwitch, unit: int, count: int) -> list[ReplyFault | None]:
    troubles = [switch.draw(unit) for _ in range(count)]
    return [None if trouble is None else trouble.kind for trouble in troubles]


def test_next_counts_down_per_unit_and_in_the_order_armed() -> None:
    switch = FaultSwitch(seed=1)
    switch.next(ReplyFault.SHORT, 2, unit=3)
    switch.next(ReplyFault.LONG)
    assert drawn(switch, 2, 2) == [ReplyFault.LONG, None]
    assert drawn(switch, 3, 3) == [ReplyFault.SHORT, ReplyFault.SHORT, None]
    assert switch.is_quiet
    assert switch.drawn == {ReplyFault.SHORT: 2, ReplyFault.LONG: 1}


def test_sometimes_follows_its_probability_and_its_seed() -> None:
    first, second = FaultSwitch(seed=11), FaultSwitch(seed=11)
    for switch in (first, second):
        switch.sometimes(ReplyFault.LATE, 0.25, delay_s=0.1)
    pattern = drawn(first, 1, 4000)
    assert pattern == drawn(second, 1, 4000)
    assert 900 < first.drawn[ReplyFault.LATE] < 1100
    first.clear(ReplyFault.SHORT)
    assert not first.is_quiet
    first.clear(ReplyFault.LATE)
    assert first.is_quiet


def test_a_probability_is_between_none_and_always() -> None:
    with pytest.raises(ValueError, match=r"0 to 1, not 1\.5"):
        FaultSwitch().sometimes(ReplyFault.LATE, 1.5)
