"""One signal of an OPC UA map: its node by namespace URI, and how it is fetched. Its type comes from the server."""

from __future__ import annotations

import base64
import binascii
import re
from dataclasses import dataclass

from gateway.registers.model import Fetch, OpcuaPlace, Signal
from gateway.registers.sections import Section
from gateway.registers.signal_fields import COMMON_FIELDS, read_common, read_no_value, whole_numbers

_FIELDS = ("node", "path", "fetch", "sampling_interval", *COMMON_FIELDS)
_ELSEWHERE = {
    **dict.fromkeys(("type", "word_order", "byte_order", "length", "encoding"), "the type of an OPC UA value comes from the server"),
    **dict.fromkeys(("at", "bit", "bits", "count", "scale_from"), "it belongs to Modbus maps; an OPC UA signal has `node` or `path`"),
}
_EXAMPLE = '"nsu=urn:example:starter;s=Motor.Current"'
_NODE = re.compile(r"(?:nsu=([^;]+);)?([isgb]=.+)")
_STEP = re.compile(r"(?:nsu=([^;]+);)?(.+)")
_GUID = re.compile(r"[0-9A-Fa-f]{8}(?:-[0-9A-Fa-f]{4}){3}-[0-9A-Fa-f]{12}")
_MOST_STEPS = 15


@dataclass(frozen=True, slots=True, kw_only=True)
class OpcuaFrame:
    """What a map says for all of its signals."""

    namespace_uri: str = ""
    fetch: Fetch = Fetch.POLL
    sampling_interval_s: float | None = None


def read_opcua_signal(section: Section, name: str, frame: OpcuaFrame) -> Signal | None:
    """Return a signal, None when its node is not known; every mistake goes to the section's findings."""
    section.allow(_FIELDS, _ELSEWHERE)
    common = read_common(section, name)
    fetch = section.choice("fetch", Fetch) or frame.fetch
    interval_s = section.quantity("sampling_interval", "s", 0.01, 3600)
    if "sampling_interval" in section and fetch is Fetch.POLL:
        section.refuse("sampling_interval", "only a subscribed signal is sampled by the server: add `fetch: subscribe` or remove it")
    no_value = tuple(code for _, code in whole_numbers(section, "no_value", read_no_value(section)))
    place = _place(section, frame, fetch, interval_s if interval_s is not None else frame.sampling_interval_s)
    if place is None:
        return None
    return Signal(
        name=name,
        key=common.key,
        role=common.role,
        place=place,
        type=None,
        scale=common.scale,
        offset=common.offset,
        unit=common.unit,
        to_role_unit=common.to_role_unit,
        no_value=no_value,
        plausible=common.plausible,
        texts=common.texts,
        wraps_at=common.wraps_at,
        pace=common.pace,
        line=section.line,
    )


def parse_node(text: str, namespace_uri: str) -> tuple[str, str]:
    """Return the namespace URI and the identifier of a node; ValueError says what is wrong.

    >>> parse_node("nsu=urn:example:starter;s=Motor.Current", "")
    ('urn:example:starter', 's=Motor.Current')
    """
    if text.startswith("ns="):
        raise ValueError("a namespace index (ns=) can change when the server restarts: write nsu= and the namespace URI")
    match = _NODE.fullmatch(text)
    if match is None:
        raise ValueError("not a node: write nsu=, the namespace URI, and one of i=, s=, g=, b= with the identifier")
    uri = match[1] or namespace_uri
    if not uri:
        raise ValueError("the namespace is missing: write nsu= and its URI, or give the map a `namespace`")
    _check_identifier(match[2])
    return uri, match[2]


def parse_step(text: str, namespace_uri: str) -> tuple[str, str]:
    """Return the namespace URI and the name of one step of a browse path; ValueError says what is wrong.

    >>> parse_step("Motor", "urn:example:starter")
    ('urn:example:starter', 'Motor')
    """
    match = _STEP.fullmatch(text)
    if match is None or re.match(r"(ns|i|s|g|b)=", match[2]):
        raise ValueError("a step of a path is a browse name, with nsu= and the namespace URI before it where it differs")
    uri = match[1] or namespace_uri
    if not uri:
        raise ValueError("the namespace is missing: write nsu= and its URI, or give the map a `namespace`")
    return uri, match[2]


def _check_identifier(identifier: str) -> None:
    kind, value = identifier[0], identifier[2:]
    if kind == "i" and not (re.fullmatch(r"[0-9]{1,10}", value) and int(value) < 2**32):
        raise ValueError("after i= a whole number from 0 to 4294967295 is needed")
    if kind == "g" and not _GUID.fullmatch(value):
        raise ValueError("after g= a GUID is needed, such as 09087e75-8e5e-499b-954f-f2a9603db28a")
    if kind == "b":
        try:
            base64.b64decode(value, validate=True)
        except binascii.Error:
            raise ValueError("after b= bytes in base64 are needed") from None


def _place(section: Section, frame: OpcuaFrame, fetch: Fetch, interval_s: float | None) -> OpcuaPlace | None:
    given = [key for key in ("node", "path") if key in section]
    if len(given) != 1:
        if given:
            section.refuse("path", "`node` and `path` exclude each other: keep one")
        else:
            section.require("node", _EXAMPLE)
        return None
    interval_s = interval_s if fetch is Fetch.SUBSCRIBE else None
    try:
        if given == ["node"]:
            text = section.text("node", longest=500)
            if text is None:
                return None
            uri, identifier = parse_node(text, frame.namespace_uri)
            return OpcuaPlace(namespace_uri=uri, identifier=identifier, fetch=fetch, sampling_interval_s=interval_s, written=text)
        steps = section.texts("path")
        if not steps or len(steps) > _MOST_STEPS:
            section.refuse("path", "a list of browse names from the Objects folder on is needed", allowed=f"1 to {_MOST_STEPS} steps")
            return None
        path = tuple(parse_step(step.text, frame.namespace_uri) for step in steps)
        written = " / ".join(step.text for step in steps)
        return OpcuaPlace(path=path, fetch=fetch, sampling_interval_s=interval_s, written=written)
    except ValueError as error:
        section.refuse(given[0], str(error), allowed=_EXAMPLE if given == ["node"] else "[Motor, Current]")
        return None
