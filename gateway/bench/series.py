"""The values of one signal over time, as one reading of its words gives them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from gateway.bench.forms import reader_of
from gateway.bench.timeline import Timeline
from gateway.registers.model import ModbusPlace, Signal, WordType
from gateway.registers.raw_words import text_of
from gateway.registers.roles import ROLES, RoleKind
from gateway.registers.scaling import scaling_of
from gateway.registers.word_shapes import FLOATS

Floats = npt.NDArray[np.float64]

_BEYOND = 1e99


@dataclass(frozen=True, eq=False)
class Series:
    """A signal's course.

    values: in the unit of the role, NaN where there is none; a flag is 0 or 1. raws: before scale and offset.
    unread: why nothing was read, "" when something was; unread_code: the exception code, if one was the reason.
    broken: moments at which the words held no number. absent: moments with a no-value code. text: the last text of a text signal.
    """

    signal: Signal
    at_s: Floats
    values: Floats
    raws: Floats
    unread: str = ""
    unread_code: int | None = None
    broken: int = 0
    absent: int = 0
    text: str | None = None

    @property
    def kind(self) -> RoleKind | None:
        """What sort of value the role carries, None without a role."""
        return None if self.signal.role is None else ROLES[self.signal.role].kind

    @cached_property
    def known(self) -> Floats:
        """The values that there are, in order of time."""
        kept: Floats = self.values[~np.isnan(self.values)]
        return kept

    @cached_property
    def span(self) -> tuple[float, float]:
        """Lowest and highest value; NaN without any."""
        return (float(self.known.min()), float(self.known.max())) if self.known.size else (math.nan, math.nan)

    @property
    def is_constant(self) -> bool:
        """True when it never changed."""
        return self.known.size == 0 or self.span[0] == self.span[1]

    @property
    def is_silent(self) -> bool:
        """True when it was 0 throughout: it fits nearly anything and proves nothing."""
        return self.text is None and self.known.size > 0 and self.span == (0.0, 0.0)

    def shown(self, value: float) -> str:
        """Return a value in the signal's own unit, as text.

        >>> signal = Signal(name="a", key="a", role=None, place=ModbusPlace(span=None, written=""), type=None, unit="A")
        >>> Series(signal, np.zeros(1), np.zeros(1), np.zeros(1)).shown(412.3)
        '412.3 A'
        """
        if self.kind is RoleKind.FLAG or self.signal.type is WordType.BIT:
            return "on" if value else "off"
        own = value / self.signal.to_role_unit
        code = self.signal.texts.get(int(own)) if own == int(own) else None
        whole = own == int(own)
        longest = 1e6 if self.signal.type in FLOATS else 1e15
        number = f"{own:.0f}" if whole and abs(own) < longest else f"{own:.6g}" if abs(own) < 1e6 else f"{own:.4g}"
        return f"{number}{f' {self.signal.unit}' if self.signal.unit else ''}{f' ({code})' if code else ''}"

    def range_shown(self) -> str:
        """Return the lowest and the highest value as text, one when they are alike."""
        if self.text is not None:
            return f'"{self.text}"'
        if not self.known.size:
            return "no value"
        low, high = self.span
        return self.shown(high) if low == high else f"{self.shown(low)} to {self.shown(high)}"


class SeriesReader:
    """Reads series out of one timeline; readings of the same words in the same way are done once."""

    def __init__(self, timeline: Timeline) -> None:
        self.timeline = timeline
        self._raws: dict[object, tuple[Floats, int] | None] = {}

    def of(self, signal: Signal, exponents: Floats | None = None) -> Series:
        """Return a Modbus signal's series.

        exponents: the power of ten at each moment, for a signal whose scale stands in another register.
        """
        if not isinstance(signal.place, ModbusPlace):
            raise ValueError(f"{signal.name} has no Modbus address")
        count = self.timeline.count
        empty = np.full(count, math.nan)
        if signal.type is WordType.TEXT:
            return self._text(signal, signal.place, empty)
        read = self._raw(signal, signal.place)
        if read is None:
            why, code = self.timeline.why_not(signal.place.span)
            return Series(signal, self.timeline.at_s, empty, empty, unread=why, unread_code=code)
        raws, broken = read
        values, absent = scaled(signal, raws, exponents)
        return Series(signal, self.timeline.at_s, values, raws, broken=broken, absent=absent)

    def _raw(self, signal: Signal, place: ModbusPlace) -> tuple[Floats, int] | None:
        key = (place.span, signal.type, signal.word_order, signal.byte_order, signal.bit, signal.bit_count)
        if key not in self._raws:
            rows = self.timeline.rows(place.span)
            if rows is None:
                self._raws[key] = None
                return None
            read = reader_of(signal)
            # Most registers hold few different words through a record: each pattern is decoded once.
            patterns, which = np.unique(rows, axis=0, return_inverse=True)
            numbers = [math.nan if min(row) < 0 else _number(read([int(word) for word in row])) for row in patterns]
            unknown = np.array([min(row) < 0 for row in patterns])
            raws = np.array(numbers, dtype=np.float64)[which.reshape(-1)]
            broken = int(np.count_nonzero(np.isnan(raws) & ~unknown[which.reshape(-1)]))
            self._raws[key] = (raws, broken)
        return self._raws[key]

    def _text(self, signal: Signal, place: ModbusPlace, empty: Floats) -> Series:
        words = self.timeline.last_words(place.span)
        if words is None:
            why, code = self.timeline.why_not(place.span)
            return Series(signal, self.timeline.at_s, empty, empty, unread=why, unread_code=code)
        return Series(signal, self.timeline.at_s, empty, empty, text=text_of(words, signal.byte_order, signal.encoding))


def scaled(signal: Signal, raws: Floats, exponents: Floats | None = None) -> tuple[Floats, int]:
    """Return values in the role's unit for raw numbers, and at how many moments a no-value code stood."""
    scaling = scaling_of(signal)
    values = raws.copy()
    if signal.scale_from is not None:
        tens = np.full(len(raws), math.nan) if exponents is None else 10.0 ** np.where(np.abs(exponents) <= 20, exponents, math.nan)
        values = values * tens
    # Words read in a wrong way can be a number beyond all others: it stays a number, so that it can be shown and compared.
    with np.errstate(over="ignore"):
        if scaling.divisor:
            values = (values * scaling.multiplier + scaling.shift) / scaling.divisor
        values = np.clip(values, -_BEYOND, _BEYOND)
    absent = np.isin(raws, [code for code in scaling.no_value if not math.isnan(code)])
    values[absent] = math.nan
    return values, int(np.count_nonzero(absent))


def _number(number: float | None) -> float:
    return math.nan if number is None else float(number)
