"""The recogniser's table as pictures and as text for the handbook. All of it is made from `starts.TABLE`, so that neither can part from it.

Two pictures: the states of the motor with what leads from one to another, and every phase as a lane with every transition as an arrow.
Plain SVG with its colours in it, since the handbook shows pictures as files.
"""

from __future__ import annotations

from html import escape

from gateway.motors.records import MotorState
from gateway.motors.starts import STATES, TABLE, Action, Phase, Sign

INK, GROUND, LINE = "#14171A", "#F0F0ED", "#62676A"
_FONT = "Arial, 'Liberation Sans', Helvetica, sans-serif"
_PLACES = {
    MotorState.STOPPED: (110, 90),
    MotorState.STARTING: (560, 90),
    MotorState.RUNNING: (1010, 90),
    MotorState.TRIPPED: (110, 450),
    MotorState.UNKNOWN: (560, 450),
    MotorState.STOPPING: (1010, 450),
}
_WIDTH, _HEIGHT = 128, 40
_AT = 0.27
"""Where along an arrow its words stand."""

Edge = tuple[Phase, Phase, tuple[Action, ...], tuple[Sign, ...]]


def edges() -> list[Edge]:
    """Return every transition of the table: from, to, actions and the signs that cause it, those that change nothing left out.

    >>> edges()[0]
    (<Phase.UNKNOWN: 'unknown'>, <Phase.STOPPED: 'stopped'>, (), (<Sign.OFF: 'off'>, <Sign.CUT: 'cut'>))
    """
    found: dict[tuple[Phase, Phase, tuple[Action, ...]], list[Sign]] = {}
    for phase, row in TABLE.items():
        for sign, (following, actions) in row.items():
            if following is not phase or actions:
                found.setdefault((phase, following, actions), []).append(sign)
    return [(phase, following, actions, tuple(signs)) for (phase, following, actions), signs in found.items()]


def table_text() -> str:
    """Return the table as Markdown, one line a transition.

    >>> table_text().splitlines()[2]
    '| unknown | off, cut | stopped |  |'
    """
    lines = ["| phase | sign | then | what follows |", "|---|---|---|---|"]
    lines += [f"| {phase} | {', '.join(signs)} | {following} | {', '.join(actions)} |" for phase, following, actions, signs in edges()]
    return "\n".join(lines) + "\n"


def states_picture() -> str:
    """Return the states of the motor and what leads from one to another as SVG."""
    between: dict[tuple[MotorState, MotorState], list[Sign]] = {}
    for phase, following, _, signs in edges():
        pair = STATES[phase], STATES[following]
        if pair[0] is not pair[1]:
            known = between.setdefault(pair, [])
            known += [sign for sign in signs if sign not in known]
    parts = [_arrow(_PLACES[before], _PLACES[after], ", ".join(signs)) for (before, after), signs in between.items()]
    parts += [_box(*_PLACES[state], state) for state in MotorState]
    return _svg(1120, 540, "States of the motor and the signs that lead from one to another", parts)


def phases_picture() -> str:
    """Return every phase as a lane and every transition as an arrow between two lanes, as SVG."""
    lane = {phase: 70 + 62 * place for place, phase in enumerate(Phase)}
    right = max(lane.values()) + 40
    parts = [_text(x, 22 + 16 * (place % 2), phase.replace("_", " "), 12, "middle") for place, (phase, x) in enumerate(lane.items())]
    y = 64
    rows: list[str] = []
    before: Phase | None = None
    for phase, following, actions, signs in edges():
        if phase is not before and before is not None:
            rows.append(f'<path d="M10 {y - 6}H{right + 400}" stroke="{LINE}" stroke-width="0.5"/>')
            y += 8
        before = phase
        words = ", ".join(signs) + (f" / {', '.join(actions)}" if actions else "")
        rows.append(_lane_arrow(lane[phase], lane[following], y))
        rows.append(_text(right, y + 4, f"{phase.replace('_', ' ')}: {words}", 12, "start"))
        y += 18
    parts += [f'<path d="M{x} 46V{y}" stroke="{LINE}" stroke-width="1" stroke-dasharray="2 4"/>' for x in lane.values()]
    return _svg(right + 420, y + 10, "Every phase of the recogniser and every transition between them", [*parts, *rows])


def _svg(width: int, height: int, label: str, parts: list[str]) -> str:
    head = '<marker id="tip" viewBox="0 0 10 10" refX="9" refY="5" markerWidth="8" markerHeight="8" orient="auto">'
    tip = f'<defs>{head}<path d="M0 1 9 5 0 9z" fill="{INK}"/></marker></defs>'
    ground = f'<rect width="{width}" height="{height}" fill="{GROUND}"/>'
    size = f'width="{width}" height="{height}" viewBox="0 0 {width} {height}"'
    body = "\n".join([tip, ground, *parts])
    return f'<svg xmlns="http://www.w3.org/2000/svg" {size} role="img" aria-label="{escape(label)}">\n{body}\n</svg>\n'


def _text(x: float, y: float, words: str, size: int, anchor: str) -> str:
    font = f'font-family="{_FONT}" font-size="{size}" fill="{INK}" text-anchor="{anchor}"'
    halo = f'paint-order="stroke" stroke="{GROUND}" stroke-width="6" stroke-linejoin="round"'
    return f'<text x="{x:.0f}" y="{y:.0f}" {font} {halo}>{escape(words)}</text>'


def _box(x: float, y: float, words: str) -> str:
    left, top = x - _WIDTH / 2, y - _HEIGHT / 2
    frame = f'<rect x="{left:.0f}" y="{top:.0f}" width="{_WIDTH}" height="{_HEIGHT}" fill="{GROUND}" stroke="{INK}" stroke-width="2"/>'
    return frame + _text(x, y + 5, words, 15, "middle")


def _arrow(start: tuple[float, float], end: tuple[float, float], words: str) -> str:
    """Return a bent arrow from box to box, its words at its highest point; the way back bends to the other side."""
    (x0, y0), (x1, y1) = start, end
    across, down = x1 - x0, y1 - y0
    length = (across**2 + down**2) ** 0.5
    bend = 60.0 if length < 500 else 90.0
    middle = (x0 + x1) / 2 - down / length * bend, (y0 + y1) / 2 + across / length * bend
    from_x, from_y = _edge_of(start, middle)
    to_x, to_y = _edge_of(end, middle)
    line = f'<path d="M{from_x:.0f} {from_y:.0f}Q{middle[0]:.0f} {middle[1]:.0f} {to_x:.0f} {to_y:.0f}"'
    # Near its beginning, where the arrows of different boxes have not met yet.
    here, bent, there = (1.0 - _AT) ** 2, 2.0 * _AT * (1.0 - _AT), _AT**2
    at_x, at_y = here * from_x + bent * middle[0] + there * to_x, here * from_y + bent * middle[1] + there * to_y
    return f'{line} fill="none" stroke="{INK}" stroke-width="1.2" marker-end="url(#tip)"/>' + _text(at_x, at_y + 4, words, 11, "middle")


def _edge_of(box: tuple[float, float], towards: tuple[float, float]) -> tuple[float, float]:
    across, down = towards[0] - box[0], towards[1] - box[1]
    scale = min(_WIDTH / 2 / max(1e-9, abs(across)), _HEIGHT / 2 / max(1e-9, abs(down)))
    return box[0] + across * scale, box[1] + down * scale


def _lane_arrow(from_x: float, to_x: float, y: float) -> str:
    dot = f'<circle cx="{from_x}" cy="{y}" r="3" fill="{INK}"/>'
    return f'{dot}<path d="M{from_x} {y}H{to_x}" stroke="{INK}" stroke-width="1.5" marker-end="url(#tip)"/>'
