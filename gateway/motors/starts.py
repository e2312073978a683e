"""How starts are recognised: one table from what a reading says (`Sign`) to where the motor is (`Phase`) and what has happened (`Action`).

Theory.
  * Each reading becomes one sign. Status bits come before currents: a run bit that is False means off whatever the current, a starting
    bit means a ramp. A bit that is unknown decides nothing. Where no bit tells, the current does, against OFF, ON and HIGH
    (`facts.Thresholds`, x FLC); between OFF and ON it says nothing (FAINT), so that noise round one line makes no starts.
  * Only signs that stand in the row of a phase do anything; any other leaves the phase as it is and causes no action.
  * A start begins with the first reading that is on. By current alone it is a suspicion until it has lasted `min_start_s`; a shorter blip
    is dismissed.
  * It ends at the last downward crossing of HIGH, believed when a bit confirms it (at speed, or starting fallen) or when `end_hold_s`
    passed below HIGH. If an at-speed bit is known to be False the end waits for it, `max_start_s` at most. A start whose current never
    went above HIGH (frequency drive, unloaded motor on a ramp) and that no bit ends is at speed when current, and output frequency or
    speed if read, have been steady for `STEADY_S`; a drive that ramps with constant current and gives neither bit nor frequency is thus
    taken as at speed too early.
  * Current gone during a ramp is a star-delta gap until `off_confirm_s` passed; a run bit that is False is off at once. When the next
    reading is on again, later than that, only a starter that switches over is given the benefit of the doubt.
  * For `reopen_s` after the end a surge (REOPEN x HIGH, without current going off) opens the same start again: the change-over of a
    lightly loaded star-delta, a second ramp. Direct-on-line starters and drives have no second step; a starter that says at speed by a
    bit is believed.
  * High current beyond `max_start_s` is a stall; the record stays open until the current is cut off or comes down after all.
  * No usable reading for longer than `gap_s` is a gap. Phases then become LOST_...: the first reading after the gap tells what can be
    told.
  * Time is the readings' own. Nothing here knows a clock, and a phase knows only when it was entered.

Rules for editors: a new case is a new row or sign, not an `if` in an action; `mermaid()` draws the handbook's diagram from the same
table.
"""

from __future__ import annotations

from enum import StrEnum

from gateway.motors.records import MotorState


class Phase(StrEnum):
    """Where the recogniser is."""

    UNKNOWN = "unknown"
    """No usable reading yet."""
    STOPPED = "stopped"
    SUSPECTED = "suspected"
    """Current on, not yet for long enough to be a start."""
    RAMPING = "ramping"
    SETTLING = "settling"
    """In a start, current no longer high, not yet believed to be at speed."""
    DROPPED = "dropped"
    """In a start, current gone: change-over gap or end of the start."""
    STALLED = "stalled"
    """Current still high after the longest permitted start."""
    FRESH = "fresh"
    """At speed, not yet so long that a surge would be an overload."""
    FALLEN = "fallen"
    """As FRESH, current gone, not yet believed."""
    RUNNING = "running"
    GONE = "gone"
    """As RUNNING, current gone, not yet believed."""
    STOPPING = "stopping"
    TRIPPED = "tripped"
    LOST_STOPPED = "lost_stopped"
    """Readings are back after a gap that began with the motor off."""
    LOST_STARTING = "lost_starting"
    LOST_RUNNING = "lost_running"


class Sign(StrEnum):
    """What one reading means in a phase."""

    GAP = "gap"
    """Readings are back after a gap; the reading's own sign follows."""
    TRIP = "trip"
    CUT = "cut"
    """Off for certain: by the run bit, or for long enough by current."""
    OFF = "off"
    """Current gone."""
    FAINT = "faint"
    """Nothing told: current between OFF and ON, or no current and no bit."""
    EASE = "ease"
    """The starter ramps down."""
    RAMP = "ramp"
    """The starter ramps up, or its run bit has just come."""
    HIGH = "high"
    ON = "on"
    SPEED = "speed"
    """At speed, by a bit, by the hold time or by steadiness."""
    BLIP = "blip"
    """Off again before a start could be believed."""
    SURE = "sure"
    """On for long enough to be a start."""
    OVERDUE = "overdue"
    """Still high after the longest permitted start."""
    ANEW = "anew"
    """On again, and the off before it was long enough to be one."""
    AGED = "aged"
    """At speed for so long that a surge is no part of the start any more."""


class Action(StrEnum):
    """What a transition means for the records."""

    SUSPECT = "suspect"
    """Keep samples from here: a start may have begun."""
    DISMISS = "dismiss"
    BEGIN = "begin"
    """A start is under way; its begin was seen."""
    FIND = "find"
    """A start is under way; its begin was not seen."""
    BRIDGE = "bridge"
    """Current is back after a change-over gap."""
    RESUME = "resume"
    """Readings were missing within a start that goes on."""
    END = "end"
    """The start reached speed."""
    END_UNSEEN = "end_unseen"
    """The start reached speed while no readings came."""
    REOPEN = "reopen"
    STALL = "stall"
    ABORT = "abort"
    ABORT_UNSEEN = "abort_unseen"
    """The start was cut off while no readings came; it may have reached speed before."""
    TRIP_START = "trip_start"
    FILE = "file"
    """The start is past being opened again."""
    RUN_FOUND = "run_found"
    """A run is under way; its begin was not seen."""
    MISS = "miss"
    """At least one start was made while no readings came."""
    EASE = "ease"
    """A soft stop begins."""
    STAY = "stay"
    """The soft stop was called off."""
    STOP = "stop"
    STOP_EASED = "stop_eased"
    STOP_TRIPPED = "stop_tripped"
    STOP_UNSEEN = "stop_unseen"


Row = dict[Sign, tuple[Phase, tuple[Action, ...]]]

_P, _S, _A = Phase, Sign, Action

_IN_START: Row = {
    _S.RAMP: (_P.RAMPING, ()),
    _S.HIGH: (_P.RAMPING, ()),
    _S.ON: (_P.SETTLING, ()),
    _S.SPEED: (_P.FRESH, (_A.END,)),
    _S.OFF: (_P.DROPPED, ()),
    _S.CUT: (_P.STOPPED, (_A.ABORT,)),
    _S.EASE: (_P.STOPPING, (_A.ABORT,)),
    _S.TRIP: (_P.TRIPPED, (_A.TRIP_START,)),
    _S.OVERDUE: (_P.STALLED, (_A.STALL,)),
    _S.GAP: (_P.LOST_STARTING, ()),
}
_IN_RUN: Row = {
    _S.CUT: (_P.STOPPED, (_A.STOP,)),
    _S.EASE: (_P.STOPPING, (_A.EASE,)),
    _S.TRIP: (_P.TRIPPED, (_A.STOP_TRIPPED,)),
    _S.ANEW: (_P.SUSPECTED, (_A.STOP, _A.SUSPECT)),
    _S.GAP: (_P.LOST_RUNNING, ()),
}
_STANDING: Row = {
    _S.ON: (_P.SUSPECTED, (_A.SUSPECT,)),
    _S.HIGH: (_P.SUSPECTED, (_A.SUSPECT,)),
    _S.RAMP: (_P.RAMPING, (_A.SUSPECT, _A.BEGIN)),
    _S.SPEED: (_P.RAMPING, (_A.SUSPECT, _A.BEGIN)),
    _S.TRIP: (_P.TRIPPED, ()),
    _S.GAP: (_P.LOST_STOPPED, ()),
}

TABLE: dict[Phase, Row] = {
    _P.UNKNOWN: {
        _S.OFF: (_P.STOPPED, ()),
        _S.CUT: (_P.STOPPED, ()),
        _S.TRIP: (_P.TRIPPED, ()),
        _S.RAMP: (_P.RAMPING, (_A.FIND,)),
        _S.HIGH: (_P.RAMPING, (_A.FIND,)),
        _S.ON: (_P.RUNNING, (_A.RUN_FOUND,)),
        _S.SPEED: (_P.RUNNING, (_A.RUN_FOUND,)),
        _S.EASE: (_P.STOPPING, (_A.RUN_FOUND, _A.EASE)),
    },
    _P.STOPPED: _STANDING,
    _P.TRIPPED: _STANDING | {_S.OFF: (_P.STOPPED, ()), _S.CUT: (_P.STOPPED, ())},
    _P.SUSPECTED: {
        _S.SURE: (_P.RAMPING, (_A.BEGIN,)),
        _S.RAMP: (_P.RAMPING, (_A.BEGIN,)),
        _S.SPEED: (_P.RAMPING, (_A.BEGIN,)),
        _S.BLIP: (_P.STOPPED, (_A.DISMISS,)),
        _S.OFF: (_P.DROPPED, (_A.BEGIN,)),
        _S.CUT: (_P.STOPPED, (_A.BEGIN, _A.ABORT)),
        _S.EASE: (_P.STOPPING, (_A.BEGIN, _A.ABORT)),
        _S.TRIP: (_P.TRIPPED, (_A.BEGIN, _A.TRIP_START)),
        _S.GAP: (_P.LOST_STARTING, (_A.BEGIN,)),
    },
    _P.RAMPING: _IN_START,
    _P.SETTLING: _IN_START,
    _P.DROPPED: _IN_START
    | {
        _S.RAMP: (_P.RAMPING, (_A.BRIDGE,)),
        _S.HIGH: (_P.RAMPING, (_A.BRIDGE,)),
        _S.ON: (_P.SETTLING, (_A.BRIDGE,)),
        _S.ANEW: (_P.SUSPECTED, (_A.ABORT, _A.SUSPECT)),
    },
    _P.STALLED: _IN_START | {_S.HIGH: (_P.STALLED, ()), _S.RAMP: (_P.STALLED, ()), _S.OVERDUE: (_P.STALLED, ())},
    _P.FRESH: _IN_RUN
    | {
        _S.ON: (_P.FRESH, ()),
        _S.SPEED: (_P.FRESH, ()),
        _S.HIGH: (_P.RAMPING, (_A.REOPEN,)),
        _S.RAMP: (_P.RAMPING, (_A.REOPEN,)),
        _S.OFF: (_P.FALLEN, ()),
        _S.AGED: (_P.RUNNING, (_A.FILE,)),
    },
    _P.FALLEN: _IN_RUN
    | {
        _S.ON: (_P.FRESH, ()),
        _S.SPEED: (_P.FRESH, ()),
        _S.HIGH: (_P.RAMPING, (_A.REOPEN,)),
        _S.RAMP: (_P.RAMPING, (_A.REOPEN,)),
    },
    _P.RUNNING: _IN_RUN | {_S.OFF: (_P.GONE, ()), _S.RAMP: (_P.RAMPING, (_A.STOP_UNSEEN, _A.SUSPECT, _A.BEGIN))},
    _P.GONE: _IN_RUN
    | {
        _S.ON: (_P.RUNNING, ()),
        _S.SPEED: (_P.RUNNING, ()),
        _S.HIGH: (_P.SUSPECTED, (_A.STOP, _A.SUSPECT)),
        _S.RAMP: (_P.RAMPING, (_A.STOP, _A.SUSPECT, _A.BEGIN)),
    },
    _P.STOPPING: _IN_RUN
    | {
        _S.OFF: (_P.STOPPED, (_A.STOP_EASED,)),
        _S.CUT: (_P.STOPPED, (_A.STOP_EASED,)),
        _S.EASE: (_P.STOPPING, ()),
        _S.ON: (_P.RUNNING, (_A.STAY,)),
        _S.SPEED: (_P.RUNNING, (_A.STAY,)),
        _S.RAMP: (_P.RAMPING, (_A.STOP_EASED, _A.SUSPECT, _A.BEGIN)),
    },
    _P.LOST_STOPPED: {
        _S.OFF: (_P.STOPPED, ()),
        _S.CUT: (_P.STOPPED, ()),
        _S.TRIP: (_P.TRIPPED, ()),
        _S.RAMP: (_P.RAMPING, (_A.FIND,)),
        _S.HIGH: (_P.RAMPING, (_A.FIND,)),
        _S.ON: (_P.RUNNING, (_A.MISS, _A.RUN_FOUND)),
        _S.SPEED: (_P.RUNNING, (_A.MISS, _A.RUN_FOUND)),
        _S.EASE: (_P.STOPPING, (_A.MISS, _A.RUN_FOUND, _A.EASE)),
    },
    _P.LOST_STARTING: {
        _S.RAMP: (_P.RAMPING, (_A.RESUME,)),
        _S.HIGH: (_P.RAMPING, (_A.RESUME,)),
        _S.ON: (_P.SETTLING, (_A.RESUME,)),
        _S.SPEED: (_P.FRESH, (_A.END_UNSEEN,)),
        _S.OVERDUE: (_P.RAMPING, (_A.ABORT_UNSEEN, _A.FIND)),
        _S.OFF: (_P.STOPPED, (_A.ABORT_UNSEEN,)),
        _S.CUT: (_P.STOPPED, (_A.ABORT_UNSEEN,)),
        _S.EASE: (_P.STOPPING, (_A.END_UNSEEN, _A.EASE)),
        _S.TRIP: (_P.TRIPPED, (_A.TRIP_START,)),
    },
    _P.LOST_RUNNING: {
        _S.ON: (_P.RUNNING, ()),
        _S.SPEED: (_P.RUNNING, ()),
        _S.HIGH: (_P.RAMPING, (_A.STOP_UNSEEN, _A.FIND)),
        _S.RAMP: (_P.RAMPING, (_A.STOP_UNSEEN, _A.FIND)),
        _S.OFF: (_P.STOPPED, (_A.STOP_UNSEEN,)),
        _S.CUT: (_P.STOPPED, (_A.STOP_UNSEEN,)),
        _S.EASE: (_P.STOPPING, (_A.EASE,)),
        _S.TRIP: (_P.TRIPPED, (_A.STOP_TRIPPED,)),
    },
}

STATES: dict[Phase, MotorState] = {
    _P.UNKNOWN: MotorState.UNKNOWN,
    _P.STOPPED: MotorState.STOPPED,
    _P.SUSPECTED: MotorState.STOPPED,
    _P.RAMPING: MotorState.STARTING,
    _P.SETTLING: MotorState.STARTING,
    _P.DROPPED: MotorState.STARTING,
    _P.STALLED: MotorState.STARTING,
    _P.FRESH: MotorState.RUNNING,
    _P.FALLEN: MotorState.RUNNING,
    _P.RUNNING: MotorState.RUNNING,
    _P.GONE: MotorState.RUNNING,
    _P.STOPPING: MotorState.STOPPING,
    _P.TRIPPED: MotorState.TRIPPED,
    _P.LOST_STOPPED: MotorState.UNKNOWN,
    _P.LOST_STARTING: MotorState.UNKNOWN,
    _P.LOST_RUNNING: MotorState.UNKNOWN,
}
IN_START = frozenset({_P.RAMPING, _P.SETTLING, _P.DROPPED, _P.STALLED})
STANDING = frozenset({_P.STOPPED, _P.SUSPECTED, _P.TRIPPED})
"""Phases in which a run bit alone means that a start begins."""
AT_REST = STANDING | {_P.UNKNOWN, _P.LOST_STOPPED}
"""Phases in which the shaft is taken not to be driven."""
GATHERING = IN_START | {_P.SUSPECTED, _P.FRESH, _P.FALLEN}
"""Phases in which samples belong to a start."""


def mermaid() -> str:
    """Return the table as a Mermaid state diagram, loops left out.

    >>> mermaid().splitlines()[:2]
    ['stateDiagram-v2', '    unknown --> stopped: off, cut']
    """
    lines = ["stateDiagram-v2"]
    for phase, row in TABLE.items():
        arrows: dict[tuple[Phase, tuple[Action, ...]], list[Sign]] = {}
        for sign, target in row.items():
            if target[0] is not phase:
                arrows.setdefault(target, []).append(sign)
        for (following, actions), signs in arrows.items():
            does = f" / {', '.join(actions)}" if actions else ""
            lines.append(f"    {phase} --> {following}: {', '.join(signs)}{does}")
    return "\n".join(lines) + "\n"
