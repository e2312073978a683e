"""What a first `bench find` found, kept in a file that the user names, so that a second value can narrow it down."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import orjson

from gateway.bench.find import Match, match_from
from gateway.errors import InputError, Problem

FORMAT = "startledger find 1"
_FOREIGN = "this file was not written by bench find: name another one"
_LARGEST_FILE = 50_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """The runs so far: of which device and unit, with which values, and what matched all of them."""

    device: str
    unit: int
    values: tuple[str, ...]
    matches: tuple[Match, ...]


def read_kept(path: Path) -> Kept | None:
    """Return what is kept, None when the file is not there yet. Raises InputError when it is something else."""
    try:
        if path.stat().st_size > _LARGEST_FILE:
            raise InputError([_problem(path, "the file is too large for what find keeps")])
        content = orjson.loads(path.read_bytes())
        if not isinstance(content, dict) or content.get("format") != FORMAT:
            raise InputError([_problem(path, _FOREIGN)])
        return Kept(
            device=str(content["device"]),
            unit=int(content["unit"]),
            values=tuple(str(each) for each in content["values"]),
            matches=tuple(match_from(entry) for entry in content["matches"]),
        )
    except FileNotFoundError:
        if not path.parent.is_dir():
            raise InputError([_problem(path, "its folder is not there: name a file in a folder that exists")]) from None
        return None
    except OSError as error:
        raise InputError([_problem(path, f"cannot be read: {error.strerror}")]) from error
    except orjson.JSONDecodeError:
        raise InputError([_problem(path, _FOREIGN)]) from None
    except (KeyError, TypeError, ValueError) as error:
        raise InputError([_problem(path, f"cannot be understood ({error}): remove it to begin anew")]) from error


def write_kept(path: Path, kept: Kept) -> None:
    """Write what is kept, whole or not at all. Raises InputError when it cannot be written."""
    content = {
        "format": FORMAT,
        "device": kept.device,
        "unit": kept.unit,
        "values": list(kept.values),
        "matches": [match.as_json() for match in kept.matches],
    }
    draft = path.with_name(path.name + ".new")
    try:
        draft.write_bytes(orjson.dumps(content, option=orjson.OPT_INDENT_2) + b"\n")
        draft.replace(path)
    except OSError as error:
        raise InputError([_problem(path, f"cannot be written: {error.strerror}")]) from error


def spans_of(matches: Sequence[Match], largest: int) -> list[tuple[int, int, str]]:
    """Return what a second run must read: runs of addresses of the matches as (first, last, table), none longer than `largest`."""
    runs: list[tuple[int, int, str]] = []
    for span in sorted({match.span for match in matches}):
        table, first, last = span.table.value, span.first, span.last
        if runs and runs[-1][2] == table and first <= runs[-1][1] + 1 and last - runs[-1][0] < largest:
            runs[-1] = (runs[-1][0], max(runs[-1][1], last), table)
        else:
            runs.append((first, last, table))
    return runs


def _problem(path: Path, message: str) -> Problem:
    return Problem(file=str(path), field="--keep", message=message)
