"""A budget with all that stands behind it, as text for a terminal."""

from __future__ import annotations

from typing import Any

from rich.console import Console

from gateway.cli.printing import CAUTION, counted, print_limits, second
from gateway.motors.wording import duration_words

_MOST_POINTS = 7


def print_explained(console: Console, result: dict[str, Any]) -> None:
    """Print the answer, every limit, and what stands behind it."""
    budget = result["budget"]
    title = f" {result['title']}" if result["title"] else ""
    console.print(f"{result['starter']}{title}: {result['state']}, {counted(result['starts_last_hour'], 'start')} in the 60 min before")
    console.print()
    print_limits(console, budget)
    if budget["quality"] != "good":
        console.print(f"quality: {budget['quality']}; {budget['reason']}")
    outlook = budget["outlook"]
    if outlook is not None:
        console.print()
        _print_decision(console, budget)
        _print_heat(console, budget)
        _print_if_started(console, outlook["if_started_now"])
        _print_sustained(console, outlook["sustained"])
    for drift in result["drifts"]:
        console.print(f"drift: {drift['text']}; look first: {drift['hint']}")
    console.print(CAUTION)


def _print_decision(console: Console, budget: dict[str, Any]) -> None:
    outlook = budget["outlook"]
    if outlook["runner_up"] is None:
        return
    if outlook["decides_by_s"] is not None:
        lead = f"{duration_words(outlook['decides_by_s'])} later than"
    elif outlook["decides_by_starts"] is not None:
        lead = f"{counted(outlook['decides_by_starts'], 'start')} fewer than"
    else:
        lead = "before"
    console.print(f"decided by: {budget['deciding_limit']}, {lead} {outlook['runner_up']}")


def _print_heat(console: Console, budget: dict[str, Any]) -> None:
    points = budget["outlook"]["heat"]
    step = max(1, (len(points) - 1) // (_MOST_POINTS - 1))
    shown = [*points[:-1:step][: _MOST_POINTS - 1], points[-1]]
    course = ", ".join(f"{point['at'][11:16]} {100 * point['thermal_used']:.0f} %" for point in shown)
    console.print(f"heat if it stands from now on (UTC): {course}")


def _print_if_started(console: Console, made: dict[str, Any]) -> None:
    about = "about " if made["estimated"] else ""
    text = f"{100 * made['thermal_before']:.0f} % to {about}{100 * made['thermal_after']:.0f} % of thermal capacity"
    text += f", {100 * made['over_by']:.0f} % over the limit" if made["over_by"] > 0.0 else ", within it"
    text += f"; breaks {', '.join(made['broken_limits'])}" if made["broken_limits"] else "; breaks no limit"
    following = "none can be told" if made["next_start_at"] is None else second(made["next_start_at"])
    console.print(f"if it were started now all the same: {text}; next permitted start after it {following}")


def _print_sustained(console: Console, sustained: dict[str, Any] | None) -> None:
    if sustained is None:
        return
    rates = ", ".join(f"{limit} {rate:.1f}" for limit, rate in sustained["starts_per_hour"].items())
    duty = f"runs of {duration_words(sustained['run_s'])} at {sustained['run_ratio']:.2f} x FLC"
    console.print(f"starts an hour for ever at the present duty ({duty}): {rates}")
