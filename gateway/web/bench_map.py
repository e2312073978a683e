"""A map checked on the map bench: pasted or uploaded, every mistake named, and held against the words that are kept of a motor.

Nothing is saved here and nothing is sent to a device.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from email.message import Message
from email.parser import BytesParser
from urllib.parse import parse_qs

from fastapi import HTTPException, Request
from starlette.responses import Response

from gateway.bench.map_table import WRITERS
from gateway.errors import InputError, Problem
from gateway.registers.load import load_map_text
from gateway.registers.model import RegisterMap
from gateway.registers.yaml_tree import LARGEST_BYTES

MOST_BODY_BYTES = 3 * LARGEST_BYTES + 64 * 1024
"""A pasted map with every letter escaped, or an uploaded one with its other fields."""
_MEDIA = {"markdown": ("text/markdown", "md"), "csv": ("text/csv", "csv"), "html": ("text/html", "html")}
_NOT_IN_A_NAME = re.compile(r"[^A-Za-z0-9_-]+")


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckedMap:
    """A map as somebody gave it, and what it is. problems: every mistake; map: None when there is one."""

    name: str
    text: str
    map: RegisterMap | None
    problems: tuple[Problem, ...]


def checked_map(text: str, name: str) -> CheckedMap:
    """Return a map text as the loader of the site's maps takes it."""
    try:
        return CheckedMap(name=name, text=text, map=load_map_text(text, name), problems=())
    except InputError as error:
        return CheckedMap(name=name, text=text, map=None, problems=error.problems)


def checked_fields(fields: Mapping[str, str | bytes]) -> CheckedMap:
    """Return the map in the fields of the page's form: an uploaded file before a pasted text."""
    data, name = fields.get("file", b""), str(fields.get("file_name", ""))
    if isinstance(data, bytes) and data:
        try:
            return checked_map(data.decode("utf-8-sig"), name or "uploaded map")
        except UnicodeDecodeError as error:
            line = data[: error.start].count(b"\n") + 1
            found = f"byte 0x{data[error.start]:02X}"
            problem = Problem(file=name, line=line, found=found, message="the file is not UTF-8 text: save it as UTF-8")
            return CheckedMap(name=name, text="", map=None, problems=(problem,))
    return checked_map(str(fields.get("text", "")), "pasted map")


def map_download(register_map: RegisterMap, form: str) -> Response:
    """Return a map as a table to keep, as `map table` writes it; 422 for a form that there is none of."""
    if form not in WRITERS:
        raise HTTPException(422, f"A table can be had as {', '.join(WRITERS)}.")
    media, ending = _MEDIA[form]
    name = _NOT_IN_A_NAME.sub("-", register_map.name).strip("-")[:60] or "map"
    headers = {"content-disposition": f'attachment; filename="{name}-table.{ending}"'}
    return Response(WRITERS[form](register_map), media_type=f"{media}; charset=utf-8", headers=headers)


async def bench_fields(request: Request) -> dict[str, str | bytes]:
    """Return the fields of a form of the bench, a file as bytes with its name in `file_name`.

    413 when the form is too large, 422 when it is none.
    """
    body = b""
    async for chunk in request.stream():
        body += chunk
        if len(body) > MOST_BODY_BYTES:
            raise HTTPException(413, f"A map has {LARGEST_BYTES // 1024} kB at most.")
    kind = request.headers.get("content-type", "")
    try:
        if kind.startswith("multipart/form-data"):
            return _parts(kind, body)
        return {name: values[0] for name, values in parse_qs(body.decode("utf-8"), max_num_fields=20).items()}
    except ValueError as error:
        raise HTTPException(422, "The form is not one that the pages send.") from error


def _parts(kind: str, body: bytes) -> dict[str, str | bytes]:
    # Only the last field may hold anything but short texts, and nothing in it is believed but its bytes.
    message = BytesParser().parsebytes(b"content-type: " + kind.encode("latin-1", "replace") + b"\r\n\r\n" + body)
    fields: dict[str, str | bytes] = {}
    payload = message.get_payload()
    for part in payload if isinstance(payload, list) else ():
        if not isinstance(part, Message):
            continue
        name, data = part.get_param("name", header="content-disposition"), part.get_payload(decode=True)
        if not isinstance(name, str) or not isinstance(data, bytes):
            continue
        file_name = part.get_filename()
        if file_name is None:
            fields[name] = data.decode("utf-8", errors="replace")
        else:
            fields[name] = data
            fields[f"{name}_name"] = "".join(letter for letter in file_name[-80:] if letter.isprintable())
    return fields
