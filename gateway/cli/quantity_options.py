"""Quantities with units on the command line: one or a list, each with bounds; InputError naming the option."""

from __future__ import annotations

from collections.abc import Callable

from gateway.errors import InputError, Problem
from gateway.registers.quantities import parse_quantity, parse_ratio

_MOST_VALUES = 40


def seconds(option: str, text: str, low: float, high: float) -> float:
    """Return a time [s] such as "15 s" or "10 min"."""
    return _within(option, text, lambda word: parse_quantity(word, "s"), low, high, f"{low:g} s to {high:g} s, with its unit")


def ratio(option: str, text: str, low: float, high: float, example: str) -> float:
    """Return a ratio such as "4 x FLC" or "30 %"."""
    return _within(option, text, parse_ratio, low, high, f"{low:g} to {high:g}, such as {example}")


def seconds_list(option: str, text: str, low: float, high: float) -> tuple[float, ...]:
    """Return times [s] from "4 s, 8 s, 12 s"."""
    return _rising(option, text, tuple(seconds(option, word, low, high) for word in _words(option, text)))


def ratio_list(option: str, text: str, low: float, high: float, example: str) -> tuple[float, ...]:
    """Return ratios from "30 %, 40 %" or "3 x FLC, 3.5 x FLC"."""
    return _rising(option, text, tuple(ratio(option, word, low, high, example) for word in _words(option, text)))


def refuse(option: str, found: str, allowed: str, message: str) -> InputError:
    """Return the error for an option."""
    return InputError([Problem(file="command line", field=option, found=found, allowed=allowed, message=message)])


def _words(option: str, text: str) -> list[str]:
    words = [word.strip() for word in text.split(",")]
    if len(words) > _MOST_VALUES:
        raise refuse(option, f"{len(words)} values", f"at most {_MOST_VALUES}", "that is more than a table can show")
    return words


def _rising(option: str, text: str, values: tuple[float, ...]) -> tuple[float, ...]:
    found = tuple(sorted(set(values)))
    if len(found) != len(values):
        raise refuse(option, text, "each value once", "a value stands twice")
    return found


def _within(option: str, text: str, parse: Callable[[str], float], low: float, high: float, allowed: str) -> float:
    try:
        value = parse(text)
    except ValueError as error:
        raise refuse(option, text, allowed, str(error)) from error
    if not low <= value <= high:
        raise refuse(option, text, allowed, "outside what is allowed")
    return value
