"""Values as a user types them for a signal."""

from __future__ import annotations

from gateway.registers.model import Signal, WordType
from gateway.registers.quantities import parse_number
from simulators.words import Value, raw_number

_FLAGS = {"true": True, "on": True, "yes": True, "false": False, "off": False, "no": False}


def value_of(signal: Signal, text: str) -> Value:
    """Return a value as the user wrote it for a signal; ValueError when the signal cannot hold it. The unit is that of the role, or none.

    >>> from gateway.registers.model import OpcuaPlace
    >>> value_of(Signal(name="local", key="local", role=None, place=OpcuaPlace(), type=WordType.BIT), "on")
    True
    """
    if signal.type is WordType.TEXT:
        return text
    if signal.type is WordType.BIT and text.lower() in _FLAGS:
        return _FLAGS[text.lower()]
    if text in signal.texts.values():
        return text
    if signal.type is None and text.lower() in ("true", "false"):
        return text.lower() == "true"
    try:
        number = parse_number(text)
    except ValueError:
        if signal.type is None and signal.role is None:
            return text
        allowed = ", ".join(signal.texts.values()) if signal.texts else "a number"
        raise ValueError(f"{signal.name} cannot hold {text!r}; allowed: {allowed}") from None
    raw_number(signal, number)
    return int(number) if number.is_integer() else number
