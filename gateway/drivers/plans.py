"""What one device is asked at each pace, and what was learned from its refusals: in memory, for as long as the gateway runs."""

from __future__ import annotations

import functools

from gateway.motors.records import Pace
from gateway.registers.addresses import written_address
from gateway.registers.model import RegisterMap, Signal, Span
from gateway.registers.plan import Block, plan_reads, plan_watch
from gateway.registers.replan import gaps_of, pieces_of, unlike_lengths

_Plan = tuple[tuple[Block, ...], tuple[Block, ...], tuple[Block, ...]]


class _Same:
    """A map as a key that only the same object equals: comparing two maps by what they say would cost more than planning."""

    __slots__ = ("map",)

    def __init__(self, register_map: RegisterMap) -> None:
        self.map = register_map

    def __hash__(self) -> int:
        return id(self.map)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Same) and other.map is self.map


@functools.lru_cache(maxsize=1024)
def _first_plan(same: _Same, unlike: bool) -> _Plan:
    """Return the plan of a map of whose device nothing was learned yet: the same blocks for all its starters, so that what is prepared for
    a block is prepared once, and stays at hand where a thousand starters take turns."""
    return _plan_of(same.map, unlike, ())


def _plan_of(register_map: RegisterMap, unlike: bool, refused: tuple[Span, ...]) -> _Plan:
    normal, slow = (plan_reads(register_map, slow=slow, refused=refused) for slow in (False, True))
    plans = [normal, slow, plan_watch(register_map, refused=refused)]
    if unlike:
        plans = unlike_lengths(plans, register_map, refused)
    normal, slow, watch = plans
    return normal, slow, watch


class Plans:
    """The requests for one device, by pace.

    unlike: give requests unlike lengths, for a wire whose replies do not say to which request they belong.
    """

    def __init__(self, register_map: RegisterMap, *, unlike: bool = False) -> None:
        self._map, self._unlike = register_map, unlike
        self._refused: tuple[Span, ...] = ()
        self._whole: set[Block] = set()
        self._normal, self._slow, self._watch = _first_plan(_Same(register_map), unlike)

    @property
    def is_watched(self) -> bool:
        """True when the map marks signals that are looked at while the motor stands."""
        return bool(self._watch)

    def blocks(self, pace: Pace) -> tuple[Block, ...]:
        """Return the requests at a pace."""
        return self._slow if pace is Pace.SLOW else self._watch if pace is Pace.WATCH else self._normal

    def signals(self, pace: Pace) -> list[Signal]:
        """Return the signals that a pace reads."""
        return [signal for block in self.blocks(pace) for signal in block.signals]

    def pieces(self, block: Block) -> tuple[Block, ...]:
        """Return the block cut at its gaps, to be tried when the device says that it has not every address; none when that was tried
        already or there is nothing to cut."""
        return () if block in self._whole or not gaps_of(block, self._map) else pieces_of(block, self._map)

    def refuse_gaps(self, block: Block) -> str:
        """Remember that the device answers the pieces but not the block; return what to tell about it."""
        gaps = gaps_of(block, self._map)
        self._refused += gaps
        self._normal, self._slow, self._watch = _plan_of(self._map, self._unlike, self._refused)
        where = ", ".join(written_address(gap) for gap in gaps)
        return (
            f"the device has not every address of {where}, which lies between signals: it is asked around them from now on. "
            f"Add `forbidden: [{where}]` to the map {self._map.name} to have it so from the start"
        )

    def keep_whole(self, block: Block) -> None:
        """Remember that cutting the block did not help: the refused address is one of a signal."""
        self._whole.add(block)
