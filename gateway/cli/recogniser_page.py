"""The handbook's page on the recogniser, made from its table; a test holds it to it.

`python -m gateway.cli.recogniser_page` writes it.
"""

from __future__ import annotations

from pathlib import Path

from gateway.motors.start_chart import phases_picture, states_picture, table_text

HANDBOOK = Path(__file__).parent.parent / "handbook"
_BEFORE = """# How starts are recognised

Each reading of a starter becomes one *sign*: current high, current gone, the starter ramps, at speed, tripped and so on. Status bits come
before currents; a bit that is not known decides nothing. In each *phase* only the signs that have a line in the table below do anything;
any other leaves the phase as it is. The picture and the table are made from the table that the program runs by.

![States of the motor](start-recogniser.svg)

What makes one start of many things that look like two, or two of one:

- Current gone during a ramp is the open gap of a star-delta until 0.6 s have passed; a run bit that is off ends it at once.
- For 15 s after the end a surge without the current going off opens the same start again: a change-over, a second ramp.
- A start begins with the first reading that is on; by current alone it must last 0.1 s, so that a blip is none.
- A start that stays high beyond the longest start is a stall; it stays open until the current is cut off or comes down after all.
- No usable reading for longer than the gap time: the first reading after it tells what can be told, the starter's own counter the rest.
- A phase without current while the other two flow, for 0.3 s or more, is a *lost phase*: the start goes on by the same table, its record
  says so and is uncertain, and an alert is raised. The same for a starter that tells of it by a bit (`phase_loss`) or by its trip text.

The times are defaults of the site file's `thresholds`, common practice, no source.

## Every phase and every transition

![Phases and transitions](start-recogniser-phases.svg)

"""
_AFTER = """
What the signs, phases and actions mean stands beside their names in `gateway/motors/starts.py`.
"""


def files() -> dict[str, str]:
    """Return the files of the page by name."""
    return {
        "start-recogniser.md": _BEFORE + table_text() + _AFTER,
        "start-recogniser.svg": states_picture(),
        "start-recogniser-phases.svg": phases_picture(),
    }


def write(folder: Path) -> None:
    """Write the page into a folder."""
    for name, text in files().items():
        (folder / name).write_text(text, encoding="utf-8")


if __name__ == "__main__":
    write(HANDBOOK)
