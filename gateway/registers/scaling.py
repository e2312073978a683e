"""From a raw number to the value of a signal: no-value codes, decimal-exact scale, unit of the role, plausible range."""

from __future__ import annotations

import functools
import math
import struct
import sys
from dataclasses import dataclass
from decimal import Decimal

from gateway.motors.reading import Flaw, Quality
from gateway.registers.model import Signal, WordType

NOT_AVAILABLE = Flaw(Quality.BAD, "not available: the device sends its no-value code")

_LARGEST = sys.float_info.max
_LEAST_NORMAL = {WordType.FLOAT32: 2.0**-126, WordType.FLOAT64: sys.float_info.min}
"""No instrument measures less: a smaller number that is not 0 is a subnormal float (IEEE 754), the trace of a wrong word or byte order."""
_EXPONENTS = range(-20, 21)


@dataclass(frozen=True, slots=True, kw_only=True)
class Scaling:
    """How raw numbers become values: (raw x multiplier + shift) / divisor, all whole numbers; with divisor 0 the raw number is the value.

    Scale, offset and the factor to the role's unit are kept as the decimals they were written as, so that 123 x 0.1 is 12.3 and not
    12.300000000000001. low, high, tiny: outside of the first two, or nearer to 0 than `tiny`, `flaw_of` knows what is wrong.
    """

    multiplier: int
    shift: int
    divisor: int
    low: float
    high: float
    tiny: float
    no_value: frozenset[float]
    plausible: tuple[float, float] | None
    unit: str
    to_role_unit: float

    def take(self, raw: float, exponent: int = 0) -> float | Flaw:
        """Return the value of a raw number in the unit of the role, or what is wrong with it.

        exponent: the power of ten that the device holds in another register; it scales the value before the offset is added.
        """
        if raw in self.no_value:
            return NOT_AVAILABLE
        if exponent not in _EXPONENTS:
            return Flaw(Quality.BAD, f"its scale register holds {exponent}: a power of ten from -20 to 20 is needed")
        value = self._value(raw, exponent)
        if -self.tiny < raw < self.tiny and raw:
            return self.flaw_of(raw, value)
        return value if self.low <= value <= self.high else self.flaw_of(raw, value)

    def flaw_of(self, raw: float, value: float) -> Flaw:
        """Return what is wrong with a value outside `low` to `high`, NaN and infinities included."""
        if math.isnan(raw):
            return NOT_AVAILABLE if any(math.isnan(code) for code in self.no_value) else Flaw(Quality.BAD, "not a number")
        if math.isinf(raw):
            return Flaw(Quality.BAD, "infinite")
        if -self.tiny < raw < self.tiny and raw:
            return Flaw(Quality.BAD, f"implausible: {raw:.3g}, no measurement is so near to 0: look at word and byte order")
        if self.plausible is None:
            return Flaw(Quality.BAD, "too large a number")
        unit = f" {self.unit}" if self.unit else ""
        shown = f"{value / self.to_role_unit:.6g}{unit}"
        return Flaw(Quality.BAD, f"implausible: {shown}, plausible {self.plausible[0]:g} to {self.plausible[1]:g}{unit}")

    def _value(self, raw: float, exponent: int) -> float:
        if self.divisor == 0 and exponent == 0:
            return raw
        divisor = self.divisor or 1
        tens: int = 10 ** abs(exponent)
        if exponent >= 0:
            return (raw * (self.multiplier * tens) + self.shift) / divisor
        return (raw * self.multiplier + self.shift * tens) / (divisor * tens)


def scaling_of(signal: Signal) -> Scaling:
    """Return the scaling of a number signal; signals that scale alike share one.

    >>> from gateway.registers.model import ModbusPlace, Span, Table
    >>> place = ModbusPlace(span=Span(Table.HOLDING, 12, 12), written="holding 13")
    >>> signal = Signal(name="current", key="current", role="current", place=place, type=WordType.UINT16, scale=0.1, unit="A")
    >>> str(scaling_of(signal).take(123))
    '12.3'
    """
    return _scaling(signal.type, signal.scale, signal.offset, signal.unit, signal.to_role_unit, signal.plausible, signal.no_value)


@functools.lru_cache(maxsize=4096)
def _scaling(
    kind: WordType | None,
    scale: float,
    offset: float,
    unit: str,
    to_role_unit: float,
    plausible: tuple[float, float] | None,
    no_value: tuple[int, ...],
) -> Scaling:
    to_unit = _decimal(to_role_unit)
    factor, shift = _decimal(scale) * to_unit, _decimal(offset) * to_unit
    ten = 10 ** max(0, -_exponent_of(factor), -_exponent_of(shift))
    low, high = (-_LARGEST, _LARGEST) if plausible is None else (float(_decimal(edge) * to_unit) for edge in plausible)
    return Scaling(
        multiplier=int(factor * ten),
        shift=int(shift * ten),
        divisor=0 if factor == 1 and shift == 0 else ten,
        low=low,
        high=high,
        tiny=0.0 if kind is None else _LEAST_NORMAL.get(kind, 0.0),
        no_value=_no_values(kind, no_value),
        plausible=plausible,
        unit=unit,
        to_role_unit=to_role_unit,
    )


def _decimal(number: float) -> Decimal:
    return Decimal(repr(float(number)))


def _exponent_of(number: Decimal) -> int:
    exponent = number.normalize().as_tuple().exponent
    if not isinstance(exponent, int):
        raise ValueError("a scale, an offset and a plausible range must be finite numbers")
    return exponent


def _no_values(kind: WordType | None, codes: tuple[int, ...]) -> frozenset[float]:
    """Return the no-value codes as the raw numbers that the words decode to; of a float the map holds the bits."""
    if kind is WordType.FLOAT32:
        return frozenset(struct.unpack(">f", struct.pack(">I", code))[0] for code in codes)
    if kind is WordType.FLOAT64:
        return frozenset(struct.unpack(">d", struct.pack(">Q", code))[0] for code in codes)
    return frozenset(codes)
