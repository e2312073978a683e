"""Deliberately wrong maps over a simulated start: the proposals must name the right correction, and leave a right map alone."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest

from gateway.bench.corrections import Correction
from gateway.bench.judge import Readings
from gateway.bench.propose import Proposals, propose
from gateway.bench.series import SeriesReader
from gateway.bench.timeline import Timeline, moment_of, timeline_of
from gateway.registers.model import RegisterMap, Span, Table, WordType
from tests.bench.rig import changed, moved, place, recorded_start, shipped, start_line

MAPS = ("ramp-pro-metered", "feeder-block", "bridge-soft-start")

# Mistakes that the course of a start tells without doubt, by map and signal. What is left out here cannot be told by physics alone: a
# constant setting scaled by ten, a counter in BCD read as binary, a meter's energy scaled by a thousand.
SURE: dict[str, dict[str, tuple[Correction, ...]]] = {
    "ramp-pro-metered": {
        "power": (Correction(turn_words=True), Correction(power=3), Correction(type=WordType.UINT32), Correction(power=-2)),
        "frequency": (Correction(turn_words=True), Correction(turn_words=True, turn_bytes=True)),
        "start_count": (Correction(turn_words=True), Correction(shift=1), Correction(shift=-1)),
        "running_hours": (Correction(turn_words=True),),
        "current": (Correction(shift=-1), Correction(power=1), Correction(power=-1), Correction(turn_bytes=True)),
        "current_l1": (Correction(power=1), Correction(power=-2), Correction(other_table=True)),
        "current_l3": (Correction(shift=1), Correction(power=1), Correction(other_table=True)),
        "voltage": (Correction(shift=1), Correction(shift=-1), Correction(power=1), Correction(power=-1), Correction(turn_bytes=True)),
        "motor_voltage": (Correction(power=1), Correction(power=-1)),
        "running": (Correction(shift=1), Correction(other_table=True)),
        "starting": (Correction(bit_shift=1), Correction(shift=1)),
        "at_speed": (Correction(bit_shift=-1),),
        "winding_temperature": (Correction(shift=-1), Correction(power=2), Correction(other_table=True)),
    },
    "feeder-block": {
        "current_l1": (Correction(shift=1), Correction(other_table=True), Correction(turn_bytes=True)),
        "current_l2": (Correction(shift=-1), Correction(shift=1), Correction(other_table=True)),
        "current_l3": (Correction(shift=-1), Correction(shift=1), Correction(other_table=True)),
        "voltage": (Correction(shift=-1), Correction(shift=1), Correction(power=1), Correction(power=-1)),
        "start_count": (Correction(other_table=True),),
        "running": (Correction(shift=1), Correction(other_table=True)),
        "running_hours": (Correction(turn_words=True),),
    },
    "bridge-soft-start": {
        "current": (Correction(power=1), Correction(shift=1), Correction(other_table=True)),
        "voltage": (Correction(shift=-1), Correction(shift=1), Correction(power=1), Correction(power=-1), Correction(other_table=True)),
        "running": (Correction(shift=-1), Correction(other_table=True)),
        "set_flc": (Correction(other_table=True),),
    },
}


def restored(truth: RegisterMap, line: Timeline, found: Proposals) -> dict[str, tuple[str, str]]:
    """Return the signals whose corrected reading still gives other values than the true map: what it should be, and what it is."""
    read = Readings(SeriesReader(line), truth.signals)
    corrected = Readings(SeriesReader(line), list(found.corrected.values()))
    wrong = {}
    for signal in truth.signals:
        right, now = read.of(signal), corrected.of(found.corrected[signal.key])
        if right.values.tobytes() != now.values.tobytes() or right.text != now.text:
            wrong[signal.name] = (right.range_shown(), now.range_shown())
    return wrong


@pytest.mark.parametrize("name", MAPS)
def test_a_right_map_is_left_alone(name: str) -> None:
    found = propose(shipped(name), start_line(name))
    assert found.changes == ()
    assert found.unresolved == {}
    assert found.starts_seen == 1


@pytest.mark.parametrize(
    ("name", "key", "mistake"),
    [(name, key, mistake) for name, signals in SURE.items() for key, mistakes in signals.items() for mistake in dict.fromkeys(mistakes)],
)
def test_one_wrong_line_is_named_with_its_correction(name: str, key: str, mistake: Correction) -> None:
    truth, line = shipped(name), start_line(name)
    found = propose(changed(truth, {key: mistake}), line)
    assert restored(truth, line, found) == {}
    signal = truth.signal(key)
    assert signal is not None
    assert [change.signals for change in found.changes] == [(signal.name,)]
    assert found.changes[0].reasons
    assert found.changes[0].entries


@pytest.mark.parametrize("name", MAPS)
@pytest.mark.parametrize("whole", [Correction(shift=1), Correction(shift=-1), Correction(other_table=True)])
def test_one_mistake_of_the_whole_map_is_told_as_one(name: str, whole: Correction) -> None:
    truth, line = moved(shipped(name), 5), start_line(name, 5)
    found = propose(changed(truth, {signal.key: whole for signal in truth.signals}), line)
    assert restored(truth, line, found) == {}
    first = found.changes[0]
    assert first.is_whole_map
    assert first.correction.shift == -whole.shift
    assert first.correction.other_table == whole.other_table
    assert len(found.changes) == 1


def test_word_order_of_the_whole_map() -> None:
    truth, line = shipped("ramp-pro-metered"), start_line("ramp-pro-metered")
    turned = Correction(turn_words=True)
    long = [signal for signal in truth.signals if place(signal).count > 1 and signal.type is not WordType.TEXT]
    found = propose(changed(truth, {signal.key: turned for signal in long}), line)
    assert restored(truth, line, found) == {}
    assert found.changes[0].is_whole_map
    assert "word_order" in found.changes[0].entries
    assert set(found.changes[0].signals) == {signal.name for signal in long}


def test_first_address_is_named_when_all_addresses_follow_it() -> None:
    truth, line = shipped("ramp-pro-metered"), start_line("ramp-pro-metered")
    found = propose(replace(moved(truth, 1), first_address=0), line)
    assert found.changes[0].entries == "first_address: 1"


def test_a_scale_in_another_register_moves_with_its_signal() -> None:
    truth, line = shipped("feeder-block"), start_line("feeder-block")
    found = propose(changed(truth, {"current_power_of_ten": Correction(shift=1)}), line)
    assert restored(truth, line, found) == {}


def test_a_known_full_load_current_decides_between_current_and_setting() -> None:
    truth, line = shipped("bridge-soft-start"), start_line("bridge-soft-start")
    wrong = changed(truth, {"set_flc": Correction(power=-1)})
    open_question = propose(wrong, line)
    assert any("--flc" in doubt for change in open_question.changes for doubt in change.doubts)
    decided = propose(wrong, line, flc_a=82.0)
    assert restored(truth, line, decided) == {}
    assert [change.entries for change in decided.changes] == ["scale: 0.1"]


def test_what_a_record_cannot_tell_apart_is_left_open() -> None:
    truth, line = shipped("bridge-soft-start"), start_line("bridge-soft-start")
    found = propose(changed(truth, {"set_current_limit": Correction(turn_bytes=True)}), line)
    change = found.changes[0]
    assert change.confidence == "open"
    assert {change.entries, *change.others} >= {"byte_order: high_first"}


def test_a_mistake_that_no_usual_change_undoes_is_said_to_be_unexplained() -> None:
    truth, line = shipped("ramp-pro-metered"), start_line("ramp-pro-metered")
    voltage = truth.signal("voltage")
    assert voltage is not None
    far = replace(voltage, scale=0.37, plausible=None)
    found = propose(replace(truth, signals=tuple(far if each.key == "voltage" else each for each in truth.signals)), line)
    named = {name for change in found.changes for name in change.signals} | set(found.unresolved)
    assert "voltage" in named


def test_a_record_without_a_start_says_that_it_tells_little() -> None:
    still = recorded_start("ramp-pro-metered")[:12]
    found = propose(shipped("ramp-pro-metered"), timeline_of(still))
    assert found.starts_seen is None
    assert "current" in found.silent


def test_an_empty_record_says_so() -> None:
    found = propose(shipped("feeder-block"), moment_of([]))
    assert found.moments == 0
    assert set(found.unresolved) == {signal.name for signal in shipped("feeder-block").signals}


def _random_mistakes(generator: random.Random) -> tuple[str, dict[str, Correction]]:
    name = generator.choice(MAPS)
    keys = generator.sample(sorted(SURE[name]), generator.randint(1, 3))
    mistakes = {key: generator.choice(SURE[name][key]) for key in keys}
    # Two mistakes that lay signals on one another, or take each other's witness away, are another question.
    truth = shipped(name)
    pairs = [(signal, wrong) for key, mistake in mistakes.items() if (signal := truth.signal(key)) and (wrong := mistake.applied(signal))]
    clear = all(
        not _touch(place(wrong), place(other))
        for index, (_, wrong) in enumerate(pairs)
        for number, pair in enumerate(pairs)
        for other in pair
        if number != index
    )
    return name, mistakes if clear else dict([next(iter(mistakes.items()))])


def _touch(one: Span, other: Span) -> bool:
    return one.table is other.table and one.first <= other.last + 1 and other.first <= one.last + 1


def _random_maps(seeds: range) -> None:
    for seed in seeds:
        name, mistakes = _random_mistakes(random.Random(seed))
        truth, line = shipped(name), start_line(name)
        found = propose(changed(truth, mistakes), line)
        left = restored(truth, line, found)
        # Every other line stays; a wrong line is put right, or named as not told apart or not explained: never silently wrong.
        assert set(left) <= {signal.name for key in mistakes if (signal := truth.signal(key))}, (seed, name, mistakes, left)
        named = set(found.unresolved) | {each for change in found.changes if change.others or change.doubts for each in change.signals}
        assert set(left) <= named, (seed, name, mistakes, left)
        assert len(left) <= 1, (seed, name, mistakes, left)


def test_random_wrong_maps() -> None:
    _random_maps(range(25))


@pytest.mark.slow
def test_many_random_wrong_maps() -> None:
    _random_maps(range(25, 600))


def test_a_bit_table_is_told_from_the_other() -> None:
    truth, line = shipped("feeder-block"), start_line("feeder-block")
    found = propose(changed(truth, {"running": Correction(other_table=True)}), line)
    assert place(found.corrected["running"]) == Span(Table.DISCRETE, 0, 0)
