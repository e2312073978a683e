"""Settings of the device: which changes are believed, when they are dated, and what they do to drift."""

from __future__ import annotations

import json
from collections.abc import Sequence

from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.instants import SECOND
from gateway.motors.device_settings import DeviceSettings
from gateway.motors.plain import from_plain, to_plain
from gateway.motors.reading import Reading, Scalar
from gateway.motors.records import SettingChange, SettingsChanged
from gateway.motors.watch import Watch
from tests.motors.strips import OFF, Piece, fold, starter, strip


def taken(values: Sequence[Scalar | None], key: str = "set_ramp_time") -> list[tuple[int, Scalar, Scalar]]:
    """Return (at, before, after) of the changes that one value a second makes; None is not read."""
    known, found = DeviceSettings(), []
    for at, value in enumerate(values):
        changed = known.take(at, {} if value is None else {key: value})
        if changed is not None:
            found += [(changed.at, change.before, change.after) for change in changed.changes]
    return found


def test_the_first_value_is_no_change() -> None:
    assert taken([10.0, 10.0, 10.0]) == []


def test_a_change_is_believed_by_the_second_reading_and_dated_by_the_first() -> None:
    assert taken([10.0, 10.0, 12.0, None, 12.0, 12.0]) == [(2, 10.0, 12.0)]


def test_a_value_that_comes_once_is_torn() -> None:
    assert taken([10.0, 655.36, 10.0, 12.0, 10.0, 10.0]) == []


def test_another_value_begins_waiting_anew() -> None:
    assert taken([10.0, 11.0, 12.0, 12.0]) == [(2, 10.0, 12.0)]


def test_other_signals_are_no_settings() -> None:
    assert taken([1.0, 2.0, 2.0], "current") == []


def test_two_settings_at_once_are_one_event() -> None:
    known = DeviceSettings()
    before: dict[str, Scalar] = {"set_ramp_time": 10.0, "set_current_limit": 350}
    after: dict[str, Scalar] = {"set_ramp_time": 12.0, "set_current_limit": 320}
    assert [known.take(0, before), known.take(1, after)] == [None, None]
    changed = known.take(2, after)
    assert changed is not None and changed.at == 1
    assert [(change.key, change.before, change.after) for change in changed.changes] == [
        ("set_ramp_time", 10.0, 12.0),
        ("set_current_limit", 350, 320),
    ]


@settings(max_examples=100, derandomize=True)
@given(st.lists(st.sampled_from([1.0, 2.0, 3.0]), min_size=1, max_size=40))
def test_changes_lead_from_value_to_value(values: list[float]) -> None:
    found = taken(list(values))
    known: Scalar = values[0]
    for _, before, after in found:
        assert before == known != after
        known = after
    if len(values) > 1 and values[-1] == values[-2]:
        assert known == values[-1], "what stands for two readings is believed"


def test_the_state_survives_a_restart_and_a_set_clock() -> None:
    known = DeviceSettings()
    known.take(0, {"set_ramp_time": 10.0})
    known.take(SECOND, {"set_ramp_time": 12.0})
    again: DeviceSettings = from_plain(DeviceSettings, json.loads(json.dumps(to_plain(known))))
    assert again == known
    again.shift(-SECOND)
    change = SettingChange(key="set_ramp_time", before=10.0, after=12.0)
    assert again.take(5, {"set_ramp_time": 12.0}) == SettingsChanged(at=0, changes=(change,))


def test_through_the_watch_it_is_told_once_and_breaks_the_drift() -> None:
    pieces = [Piece(30.0, 0.0, OFF, {"set_ramp_time": 10.0}), Piece(30.0, 0.0, OFF, {"set_ramp_time": 14.0})]
    watch = Watch(starter())
    events = fold(watch, strip(pieces, 1.0))
    (changed,) = [event for event in events if isinstance(event, SettingsChanged)]
    (found,) = watch.drift_breaks()
    assert found.at == changed.at and 30 * SECOND <= changed.at <= 41 * SECOND, "steady readings are looked at every 10 s"
    assert found.reason == "set_ramp_time 10.0 to 14.0"


def test_a_blind_reading_with_settings_tells_too() -> None:
    watch = Watch(starter())
    readings = [Reading(at * SECOND, {"set_flc": 80.0 if at < 2 else 90.0}) for at in range(5)]
    assert [type(event) for event in fold(watch, readings)] == [SettingsChanged]
