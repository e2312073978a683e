"""State as plain data and back: frozen or not, every dataclass of the core becomes dicts, lists and scalars that JSON keeps exactly.

Floats survive JSON to the last bit (shortest repr), so a restored state goes on as if it had never left.
"""

from __future__ import annotations

import types
from collections.abc import Mapping, Sequence
from dataclasses import fields, is_dataclass
from enum import Enum
from functools import cache
from typing import Any, Union, get_args, get_origin, get_type_hints

_SCALARS = frozenset({type(None), bool, int, float, str})

Plain = None | bool | int | float | str | list["Plain"] | dict[str, "Plain"]


def to_plain(value: Any) -> Plain:
    """Return a value of the core as plain data; TypeError for what is not data.

    >>> from gateway.motors.records import EquivalentRating
    >>> to_plain(EquivalentRating(x=3.5, t_s=8.25))
    {'x': 3.5, 't_s': 8.25}
    """
    kind = type(value)
    # A state holds thousands of numbers and is made plain every few minutes for every starter: numbers first, and without a call each.
    if kind in _SCALARS:
        plain: Plain = value
        return plain
    if isinstance(value, list | tuple):
        return [item if type(item) in _SCALARS else to_plain(item) for item in value]
    if is_dataclass(kind):
        named = [(name, getattr(value, name)) for name in _names(kind)]
        return {name: item if type(item) in _SCALARS else to_plain(item) for name, item in named}
    if isinstance(value, Enum):
        return to_plain(value.value)
    if isinstance(value, bool | int | float | str):
        return value
    if isinstance(value, Mapping):
        return {str(key): to_plain(item) for key, item in value.items()}
    raise TypeError(f"{type(value).__name__} is not plain data")


@cache
def _names(kind: type) -> tuple[str, ...]:
    return tuple(field.name for field in fields(kind))


def from_plain(kind: Any, plain: Any) -> Any:
    """Return plain data as a value of type `kind`, the reverse of `to_plain`; a field that is not there keeps its default.

    >>> from gateway.motors.records import EquivalentRating
    >>> from_plain(EquivalentRating, {"x": 3.5, "t_s": 8.25})
    EquivalentRating(x=3.5, t_s=8.25)
    """
    if plain is None:
        return None
    origin = get_origin(kind)
    if origin in (Union, types.UnionType):
        inner = [arm for arm in get_args(kind) if arm is not types.NoneType]
        return from_plain(inner[0], plain) if len(inner) == 1 else plain
    if origin in (list, tuple):
        return _sequence(origin, get_args(kind), plain)
    if origin is not None and issubclass(origin, Mapping):
        item = get_args(kind)[1]
        return {key: from_plain(item, value) for key, value in plain.items()}
    if is_dataclass(kind):
        make: Any = kind
        hints = _hints(make)
        return make(**{name: from_plain(hints[name], value) for name, value in plain.items() if name in hints})
    if isinstance(kind, type) and issubclass(kind, Enum):
        return kind(plain)
    return plain


def _sequence(origin: type, arms: tuple[Any, ...], plain: Sequence[Any]) -> Any:
    if origin is tuple and arms[-1] is not Ellipsis:
        return tuple(from_plain(arm, item) for arm, item in zip(arms, plain, strict=True))
    return origin(from_plain(arms[0], item) for item in plain)


@cache
def _hints(kind: type) -> dict[str, Any]:
    hints = get_type_hints(kind)
    return {field.name: hints[field.name] for field in fields(kind)}
