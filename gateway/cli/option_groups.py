"""Options that several commands share, as one parameter each: a dataclass whose fields a command shows as options of its own."""

from __future__ import annotations

import inspect
from collections.abc import Callable
from dataclasses import MISSING, Field, fields, is_dataclass
from functools import wraps
from typing import Any, get_type_hints


def grouped(command: Callable[..., None]) -> Callable[..., None]:
    """Return the command as typer is to see it: each parameter that is a dataclass stands for its fields, in their place and order.

    The fields of a group are annotated as parameters of a command are.

    >>> from dataclasses import dataclass
    >>> @dataclass(frozen=True)
    ... class Size:
    ...     width: int = 3
    ...     height: int = 2
    >>> @grouped
    ... def area(name: str, size: Size, unit: str = "m2") -> None:
    ...     print(name, size.width * size.height, unit)
    >>> list(inspect.signature(area).parameters)
    ['name', 'width', 'height', 'unit']
    >>> area(name="yard", width=5, height=4, unit="m2")
    yard 20 m2
    """
    written = inspect.signature(command, eval_str=True)
    groups: dict[str, Any] = {each.name: each.annotation for each in written.parameters.values() if is_dataclass(each.annotation)}

    @wraps(command)
    def spread(**given: Any) -> None:
        made = {name: group(**{each.name: given.pop(each.name) for each in fields(group)}) for name, group in groups.items()}
        command(**given, **made)

    shown = [each for name, own in written.parameters.items() for each in (_spread(groups[name]) if name in groups else [_named(own)])]
    vars(spread)["__signature__"] = written.replace(parameters=shown)
    return spread


def _spread(group: Any) -> list[inspect.Parameter]:
    hints = get_type_hints(group, include_extras=True)
    return [
        inspect.Parameter(each.name, inspect.Parameter.KEYWORD_ONLY, default=_default(each), annotation=hints[each.name])
        for each in fields(group)
    ]


def _default(field: Field[Any]) -> Any:
    return inspect.Parameter.empty if field.default is MISSING else field.default


def _named(parameter: inspect.Parameter) -> inspect.Parameter:
    # By name only, so that parameters with and without a default may stand in any order.
    return parameter.replace(kind=inspect.Parameter.KEYWORD_ONLY)
