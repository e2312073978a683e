"""The registers of one simulated device as its wire shows them."""

from __future__ import annotations

from array import array

from gateway.registers.model import ModbusPlace, RegisterMap, Span, Table


class _Area:
    """One table: words from `first` on, and which addresses the device answers for."""

    __slots__ = ("answered", "first", "words")

    def __init__(self, first: int, last: int) -> None:
        self.first = first
        self.words = array("H", bytes(2 * (last - first + 1)))
        self.answered = bytearray(last - first + 1)


class Image:
    """Register contents per table.

    The device answers for every register of its map, for the holes between them that are no wider than the map says may be bridged, and
    between signals that must come together; it refuses forbidden spans and everything else, so that a reader who bridges too far is told.

    >>> from gateway.registers.model import Protocol, Signal, Span, WordType
    >>> place = ModbusPlace(span=Span(Table.HOLDING, 12, 12), written="holding 12")
    >>> level = Signal(name="level", key="level", role=None, place=place, type=WordType.UINT16)
    >>> image = Image(RegisterMap(name="demo", protocol=Protocol.MODBUS, signals=(level,)))
    >>> image.set(Table.HOLDING, 12, 7)
    >>> list(image.read(Table.HOLDING, 12, 1) or ())
    [7]
    >>> image.read(Table.HOLDING, 12, 2) is None
    True
    """

    def __init__(self, register_map: RegisterMap) -> None:
        self._areas: dict[Table, _Area] = {}
        spans = sorted({signal.place.span for signal in register_map.signals if isinstance(signal.place, ModbusPlace)})
        for table in Table:
            own = [span for span in spans if span.table is table]
            if own:
                area = _Area(own[0].first, max(span.last for span in own))
                self._areas[table] = area
                reached = own[0].first - 1
                for span in own:
                    bridged = span.first - reached - 1 <= register_map.largest_gap
                    begin = min(reached + 1, span.first) if bridged else span.first
                    _mark(area, begin, span.last, 1)
                    reached = max(reached, span.last)
        for span in _tied(register_map):
            _mark(self._areas[span.table], span.first, span.last, 1)
        for span in register_map.forbidden:
            forbidden_area = self._areas.get(span.table)
            if forbidden_area is not None:
                _mark(forbidden_area, span.first, span.last, 0)

    def set(self, table: Table, address: int, word: int) -> None:
        """Store one word (or bit) at an address of the map."""
        area = self._areas[table]
        area.words[address - area.first] = word

    def get(self, table: Table, address: int) -> int:
        """Return the word (or bit) at an address of the map."""
        area = self._areas[table]
        return area.words[address - area.first]

    def read(self, table: Table, first: int, count: int) -> array[int] | None:
        """Return `count` words from `first` on, None when the device refuses any of them."""
        area = self._areas.get(table)
        if area is None:
            return None
        begin = first - area.first
        end = begin + count
        if begin < 0 or end > len(area.words) or area.answered.find(0, begin, end) >= 0:
            return None
        return area.words[begin:end]

    def cells(self) -> dict[tuple[Table, int], int]:
        """Return every address that the device answers for with its content."""
        return {
            (table, area.first + index): word
            for table, area in self._areas.items()
            for index, word in enumerate(area.words)
            if area.answered[index]
        }


def _tied(register_map: RegisterMap) -> list[Span]:
    """Return the spans from the first to the last register of signals that must come in one request."""
    spans = {signal.name: signal.place.span for signal in register_map.signals if isinstance(signal.place, ModbusPlace)}
    groups = [*register_map.together, *((signal.name, signal.scale_from) for signal in register_map.signals if signal.scale_from)]
    tied = []
    for group in groups:
        own = [spans[name] for name in group if name in spans]
        if own and all(span.table is own[0].table for span in own):
            tied.append(Span(own[0].table, min(span.first for span in own), max(span.last for span in own)))
    return tied


def _mark(area: _Area, first: int, last: int, answered: int) -> None:
    begin, end = max(first - area.first, 0), min(last - area.first + 1, len(area.answered))
    if end > begin:
        area.answered[begin:end] = bytes([answered]) * (end - begin)
