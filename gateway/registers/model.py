"""A register map as data: where each signal of a device is and how its words become a value."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from types import MappingProxyType


class Protocol(StrEnum):
    """The wire that a map is for."""

    MODBUS = "modbus"
    OPCUA = "opcua"


class Table(StrEnum):
    """The four tables of the Modbus data model; the read function code of each."""

    COIL = "coil"
    DISCRETE = "discrete"
    INPUT = "input"
    HOLDING = "holding"

    @property
    def function_code(self) -> int:
        """Return the Modbus function that reads this table (Application Protocol V1.1b3, 6.1 to 6.4).

        >>> Table.HOLDING.function_code
        3
        """
        return _FUNCTION_CODES[self]

    @property
    def holds_bits(self) -> bool:
        """True for coils and discrete inputs."""
        return self in (Table.COIL, Table.DISCRETE)


_FUNCTION_CODES = {Table.COIL: 1, Table.DISCRETE: 2, Table.HOLDING: 3, Table.INPUT: 4}


class WordType(StrEnum):
    """How the words of a signal are read."""

    BIT = "bit"
    BITS = "bits"
    INT16 = "int16"
    UINT16 = "uint16"
    INT32 = "int32"
    UINT32 = "uint32"
    INT64 = "int64"
    UINT64 = "uint64"
    FLOAT32 = "float32"
    FLOAT64 = "float64"
    BCD16 = "bcd16"
    BCD32 = "bcd32"
    SIGN_MAGNITUDE16 = "sign_magnitude16"
    SIGN_MAGNITUDE32 = "sign_magnitude32"
    TEXT = "text"


class Order(StrEnum):
    """Order of words in a value, or of bytes in a word."""

    HIGH_FIRST = "high_first"
    LOW_FIRST = "low_first"


class SignalPace(StrEnum):
    """How often a signal is read: always, or at the starter's slow pace; `watch` is read always, and alone at short intervals while the
    motor stands still, so that a start is seen soon for little traffic."""

    NORMAL = "normal"
    SLOW = "slow"
    WATCH = "watch"


class Fetch(StrEnum):
    """How an OPC UA signal is fetched."""

    POLL = "poll"
    SUBSCRIBE = "subscribe"


DEFAULT_SAMPLING_S = 0.1
"""Sampling interval that is asked of an OPC UA server where the map names none."""


@dataclass(frozen=True, slots=True, order=True)
class Span:
    """Addresses of one table, both ends included, as on the wire (counted from 0)."""

    table: Table
    first: int
    last: int

    @property
    def count(self) -> int:
        """Number of registers or bits."""
        return self.last - self.first + 1


@dataclass(frozen=True, slots=True, kw_only=True)
class ModbusPlace:
    """Where a signal lies on Modbus. `written` keeps the address as the user wrote it."""

    span: Span
    written: str


@dataclass(frozen=True, slots=True, kw_only=True)
class OpcuaPlace:
    """Where a signal lies on OPC UA: namespace URI with an identifier (`i=`, `s=`, `g=`, `b=` form), or a browse path from Objects
    of (namespace URI, name) steps."""

    namespace_uri: str = ""
    identifier: str = ""
    path: tuple[tuple[str, str], ...] = ()
    fetch: Fetch = Fetch.POLL
    sampling_interval_s: float | None = None
    written: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Signal:
    """One named value of a device.

    key: what the core calls it: the role where it has one, else the name.
    bit, bit_count: of a bit or bit range inside a register, bit 0 the least significant.
    scale, offset: value = raw x scale + offset, in `unit`; exact decimal text is kept by the loader in `scale_text` for print.
    scale_from: name of the signal whose value is the power of ten to scale by (read in the same request).
    no_value: raw values that mean "not available".
    plausible: lowest and highest value that can be true, in `unit`.
    may_tear: the device may change the words of the value between two of them; it is then read until its high words stand still.
    to_role_unit: factor from `unit` to the unit of the role (kA to A); 1 without a role.
    """

    name: str
    key: str
    role: str | None
    place: ModbusPlace | OpcuaPlace
    type: WordType | None
    bit: int | None = None
    bit_count: int = 1
    scale: float = 1.0
    offset: float = 0.0
    scale_from: str | None = None
    unit: str = ""
    to_role_unit: float = 1.0
    no_value: tuple[int, ...] = ()
    plausible: tuple[float, float] | None = None
    texts: Mapping[int, str] = field(default_factory=lambda: MappingProxyType({}))
    wraps_at: int | None = None
    pace: SignalPace = SignalPace.NORMAL
    word_order: Order = Order.HIGH_FIRST
    byte_order: Order = Order.HIGH_FIRST
    encoding: str = "latin-1"
    may_tear: bool = False
    line: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class RegisterMap:
    """A user's register map, checked. Modbus settings are unused for OPC UA and the other way round.

    largest_block, largest_bit_block: registers and bits per request that the device takes.
    largest_gap: registers that nobody asked for which one request may bridge.
    together: groups of signal names that must come in one request.
    min_gap_s: least time between two requests to the device.
    requests_per_s: most requests in any second, connection attempts included; None for no such limit.
    answers_id_zero: the device answers with transaction id 0 (allowed only when the map says so).
    """

    name: str
    protocol: Protocol
    signals: tuple[Signal, ...]
    first_address: int = 0
    largest_block: int = 125
    largest_bit_block: int = 2000
    largest_gap: int = 8
    forbidden: tuple[Span, ...] = ()
    together: tuple[tuple[str, ...], ...] = ()
    min_gap_s: float = 0.0
    requests_per_s: int | None = None
    timeout_s: float = 1.0
    answers_id_zero: bool = False
    update_time_s: float = 0.0
    file: str = ""

    def signal(self, key: str) -> Signal | None:
        """Return the signal with this key, None when the map has none."""
        return next((signal for signal in self.signals if signal.key == key), None)
