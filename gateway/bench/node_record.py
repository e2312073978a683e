"""Records of OPC UA values: JSON lines, one reading of all nodes a line, written as they come and read back for replay.

Kept are the values as the server's Read responses gave them after decoding - number, status, source time and type - and not the bytes on
the wire, which are encrypted on a protected channel. A node is named by its namespace URI and identifier, or by its browse path, so that a
record serves every map of the same server.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from pathlib import Path
from types import TracebackType
from typing import IO, Any

import orjson

from gateway.bench.verify_opcua import Sample, node_text
from gateway.drivers.opcua_values import NodeValue
from gateway.errors import InputError, Problem
from gateway.instants import from_iso, to_iso
from gateway.registers.model import OpcuaPlace, RegisterMap

FORMAT = "startledger nodes 1"
_LARGEST_FILE = 200_000_000


class NodeRecorder:
    """Writes readings to a file as they come. Raises InputError when the file cannot be made, or is there already."""

    def __init__(self, path: Path) -> None:
        try:
            self._file: IO[bytes] = path.open("xb")
        except FileExistsError:
            raise _wrong(path, "--record", "the file is there already: name a new one, so that no record is lost") from None
        except OSError as error:
            raise _wrong(path, "--record", f"cannot be written: {error.strerror}") from error
        self._file.write(orjson.dumps({"format": FORMAT}) + b"\n")

    def keep(self, sample: Sample) -> None:
        """Write one reading of all nodes, named by their node texts."""
        at, values = sample
        nodes = {text: _plain(value) for text, value in values.items() if _is_node(text)}
        self._file.write(orjson.dumps({"at": to_iso(at), "nodes": nodes}) + b"\n")
        self._file.flush()

    def keep_missing(self, missing: Mapping[str, str]) -> None:
        """Write why nodes are not there."""
        self._file.write(orjson.dumps({"missing": {text: why for text, why in missing.items() if _is_node(text)}}) + b"\n")

    def close(self) -> None:
        """Close the file; safe to call twice."""
        self._file.close()

    def __enter__(self) -> NodeRecorder:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self.close()


def read_nodes_record(path: Path, register_map: RegisterMap) -> tuple[list[Sample], dict[str, str]]:
    """Return the readings of a record, by node text and by the map's signal keys, and why signals have no node.

    Raises InputError naming the line that is wrong.
    """
    samples: list[Sample] = []
    gone: dict[str, str] = {}
    number = 0
    try:
        if path.stat().st_size > _LARGEST_FILE:
            raise _wrong(path, "--frames", "the file is too large for a record of one start")
        with path.open("rb") as file:
            for number, line in enumerate(file, start=1):
                _take(orjson.loads(line), samples, gone, is_first=number == 1)
    except OSError as error:
        raise _wrong(path, "--frames", f"cannot be read: {error.strerror}") from error
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        reason = f"{error.args[0]} is missing" if isinstance(error, KeyError) else str(error)
        allowed = "a line written by --record on OPC UA"
        raise InputError([Problem(file=str(path), line=number, allowed=allowed, message=f"not a reading: {reason}")]) from error
    if not samples:
        raise _wrong(path, "--frames", "it holds no reading")
    texts = {signal.key: node_text(signal.place) for signal in register_map.signals if isinstance(signal.place, OpcuaPlace)}
    known = {text for _, values in samples for text in values}
    missing = {key: gone.get(text, "this node is not in the record") for key, text in texts.items() if text not in known}
    return [(at, named(values, texts)) for at, values in samples], missing


def named(values: Mapping[str, NodeValue], texts: Mapping[str, str]) -> dict[str, NodeValue]:
    """Return values by node text and also by signal key."""
    return {**values, **{key: values[text] for key, text in texts.items() if text in values}}


def _is_node(text: str) -> bool:
    # A signal's key is one plain word; a node is an identifier or a path.
    return "=" in text or "/" in text


def _take(entry: Any, samples: list[Sample], gone: dict[str, str], *, is_first: bool) -> None:
    if not isinstance(entry, dict):
        raise ValueError("a line is one reading in braces")
    if is_first or "format" in entry:
        if entry.get("format") != FORMAT:
            raise ValueError(f"the first line says {entry.get('format', 'nothing')}, needed is {FORMAT}")
    elif "missing" in entry:
        gone.update({str(text): str(why) for text, why in entry["missing"].items()})
    else:
        at = from_iso(entry["at"])
        samples.append((at, {str(text): _value(each, at) for text, each in entry["nodes"].items()}))


def _plain(value: NodeValue) -> dict[str, Any]:
    raw = value.raw
    plain: dict[str, Any] = {"status": value.status, "name": value.status_name, "type": value.data_type}
    if isinstance(raw, float) and not math.isfinite(raw):
        plain["special"] = str(raw)
    else:
        plain["raw"] = raw if isinstance(raw, (bool, int, float, str)) or raw is None else str(raw)[:200]
    if value.source_at is not None:
        plain["source_at"] = to_iso(value.source_at)
    return plain


def _value(plain: Mapping[str, Any], at: int) -> NodeValue:
    raw = float(plain["special"]) if "special" in plain else plain["raw"]
    if not isinstance(raw, (bool, int, float, str)) and raw is not None:
        raise ValueError("a value is a number, a text, yes or no")
    source_at = from_iso(plain["source_at"]) if "source_at" in plain else None
    return NodeValue(raw, int(plain["status"]), str(plain["name"]), source_at, None, at, str(plain.get("type", "")))


def node_texts(values: Iterable[str]) -> list[str]:
    """Return those names that are nodes by identifier, which a map line can name."""
    return [text for text in values if text.startswith("nsu=")]


def _wrong(path: Path, field: str, message: str) -> InputError:
    return InputError([Problem(file=str(path), field=field, message=message)])
