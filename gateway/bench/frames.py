"""Records of raw frames: JSON lines, one exchange a line, written as they come and read back for replay.

A line holds `at` (ISO 8601, UTC), `unit`, `table`, `first`, `count`, `framing`, `sent` and `received` (hexadecimal, whole frames), `ms`
(round trip) and, where there were no words, `fault`, `fault_kind` and `code`. On reading, words are taken from the received bytes again,
by the same checks as on the wire: a record that was edited into something else is refused.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from types import TracebackType
from typing import IO, Any

import orjson

from gateway.bench.exchange import Exchange
from gateway.drivers.replies import Asked, Data, check_reply, words_of
from gateway.drivers.rtu_replies import check_rtu_reply
from gateway.errors import InputError, Problem
from gateway.instants import from_iso, to_iso
from gateway.registers.model import Span, Table
from gateway.site import Framing

FORMAT = "startledger frames 1"
_LONGEST_LINE = 4000
_MOST_LINES = 1_000_000


class Recorder:
    """Writes exchanges to a file as they come. Raises InputError when the file cannot be made, or is there already."""

    def __init__(self, path: Path) -> None:
        self.path = path
        try:
            self._file: IO[bytes] = path.open("xb")
        except FileExistsError:
            message = "the file is there already: name a new one, so that no record is lost"
            raise InputError([Problem(file=str(path), field="--record", message=message)]) from None
        except OSError as error:
            raise InputError([Problem(file=str(path), field="--record", message=f"cannot be written: {error.strerror}")]) from error
        self._file.write(orjson.dumps({"format": FORMAT}) + b"\n")

    def keep(self, exchange: Exchange) -> None:
        """Write one exchange; it is on its way to the disk when this returns."""
        self._file.write(frame_line(exchange) + b"\n")
        self._file.flush()

    def close(self) -> None:
        """Close the file; safe to call twice."""
        self._file.close()

    def __enter__(self) -> Recorder:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self.close()


def frame_line(exchange: Exchange) -> bytes:
    """Return an exchange as one line of a record."""
    line: dict[str, Any] = {
        "at": to_iso(exchange.at),
        "unit": exchange.unit,
        "table": exchange.span.table.value,
        "first": exchange.span.first,
        "count": exchange.span.count,
        "framing": exchange.framing,
        "ms": round(1000 * exchange.round_trip_s, 2),
        "sent": exchange.sent.hex(),
        "received": exchange.received.hex(),
    }
    if exchange.words is None:
        line |= {"fault": exchange.fault, "fault_kind": exchange.fault_kind, "code": exchange.code}
    return orjson.dumps(line)


def read_frames(path: Path, unit: int | None = None) -> tuple[Exchange, ...]:
    """Return the exchanges of a record, those of one unit when it is named. Raises InputError with every line that is wrong."""
    problems: list[Problem] = []
    exchanges: list[Exchange] = []
    try:
        with path.open("rb") as file:
            for number, line in enumerate(file, start=1):
                if number > _MOST_LINES or len(problems) >= 20:
                    break
                if line.strip():
                    _take(line, number, path, exchanges, problems)
    except OSError as error:
        raise InputError([Problem(file=str(path), field="--frames", message=f"cannot be read: {error.strerror}")]) from error
    if problems:
        raise InputError(problems)
    kept = tuple(each for each in exchanges if unit is None or each.unit == unit)
    if not kept:
        units = sorted({each.unit for each in exchanges})
        message = f"it holds nothing of unit {unit}" if exchanges else "it holds no exchange"
        allowed = f"a record with units {', '.join(map(str, units))}" if units else "a file made with --record"
        raise InputError([Problem(file=str(path), field="--frames", allowed=allowed, message=message)])
    return kept


def _take(line: bytes, number: int, path: Path, exchanges: list[Exchange], problems: list[Problem]) -> None:
    try:
        if len(line) > _LONGEST_LINE:
            raise ValueError("the line is too long for one exchange")
        entry = orjson.loads(line)
        if not isinstance(entry, dict):
            raise ValueError("a line is one exchange in braces")
        if "format" in entry:
            if entry["format"] != FORMAT:
                raise ValueError(f"this is {entry['format']}, needed is {FORMAT}")
            return
        exchanges.append(_exchange(entry))
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        reason = f"{error.args[0]} is missing" if isinstance(error, KeyError) else str(error)
        problems.append(Problem(file=str(path), line=number, message=f"not an exchange: {reason}", allowed="a line written by --record"))


def _exchange(entry: Mapping[str, Any]) -> Exchange:
    table, first, count = Table(entry["table"]), int(entry["first"]), int(entry["count"])
    if not 0 <= first < first + count <= 65536 or count > 2000:
        raise ValueError(f"addresses {first} to {first + count - 1} cannot be asked for")
    span = Span(table, first, first + count - 1)
    framing = Framing(entry.get("framing", "tcp"))
    bare = Exchange(
        at=from_iso(entry["at"]),
        unit=int(entry["unit"]),
        span=span,
        round_trip_s=float(entry["ms"]) / 1000,
        sent=bytes.fromhex(entry["sent"]),
        received=bytes.fromhex(entry["received"]),
        framing=framing.value,
    )
    if "fault" in entry:
        code = entry.get("code")
        return replace(bare, fault=str(entry["fault"]), fault_kind=str(entry["fault_kind"]), code=None if code is None else int(code))
    return replace(bare, words=_words(bare, framing))


def _words(bare: Exchange, framing: Framing) -> tuple[int, ...]:
    if len(bare.sent) < 2 or len(bare.received) < 2:
        raise ValueError("the frames are missing")
    number = int.from_bytes(bare.sent[:2], "big") if framing is Framing.TCP else 0
    asked = Asked(number, bare.unit, bare.span.table.function_code, bare.span.first, bare.span.count, id_zero=True)
    reply = (check_reply if framing is Framing.TCP else check_rtu_reply)(asked, bare.received)
    if not isinstance(reply, Data):
        raise ValueError("the received bytes are not the whole reply to it" if reply is None else reply.text)
    return tuple(words_of(asked, reply.payload))
