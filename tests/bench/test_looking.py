"""The pure parts that look at words: timelines, forms, find, peek, requests, frames, map lines, reports."""

from __future__ import annotations

import random
import struct
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from gateway.bench.exchange import Exchange
from gateway.bench.find import Match, distinct, matches, still_matching, units_agree, wanted
from gateway.bench.find_state import Kept, read_kept, spans_of, write_kept
from gateway.bench.forms import Form, all_forms
from gateway.bench.frames import Recorder, frame_line, read_frames
from gateway.bench.map_line import map_line
from gateway.bench.peek import peek
from gateway.bench.probe import pace_of, unit_answer
from gateway.bench.report import check_report_path, report_html, write_report
from gateway.bench.requests import around, halves, in_other_table, pieces, uncovered
from gateway.bench.sheets import Sheet
from gateway.bench.timeline import MOST_MOMENTS, moment_of, timeline_of
from gateway.errors import InputError
from gateway.instants import SECOND
from gateway.registers.load import load_map
from gateway.registers.model import ModbusPlace, Order, Protocol, RegisterMap, Signal, Span, Table, WordType
from tests.bench.rig import place, shipped

H = Table.HOLDING


def exchange(first: int, words: list[int] | None, at: int = 0, **more: Any) -> Exchange:
    count = len(words) if words is not None else 1
    bare = Exchange(at=at, unit=1, span=Span(H, first, first + count - 1), words=None if words is None else tuple(words))
    return replace(bare, **more)


def test_a_request_that_comes_again_begins_a_new_moment_and_seldom_ones_are_carried_on() -> None:
    line = timeline_of([exchange(0, [1]), exchange(9, [5]), exchange(0, [2], at=SECOND), exchange(0, [3], at=2 * SECOND)])
    assert line.count == 3
    rows = line.rows(Span(H, 9, 9))
    assert rows is not None and rows[:, 0].tolist() == [5, 5, 5]
    assert line.last_words(Span(H, 0, 0)) == (3,)
    assert line.last_words(Span(H, 0, 9)) is None


def test_a_long_record_is_thinned_and_keeps_its_seldom_requests() -> None:
    many = [each for step in range(3 * MOST_MOMENTS) for each in (exchange(0, [step % 9], at=step * SECOND),)]
    line = timeline_of([exchange(50, [7]), *many])
    assert line.count <= MOST_MOMENTS
    assert line.last_words(Span(H, 50, 50)) == (7,)


def test_the_reason_of_the_smallest_refused_request_is_the_one_told() -> None:
    wide = Exchange(at=0, unit=1, span=Span(H, 0, 9), fault="wide", fault_kind="exception", code=2)
    alone = Exchange(at=0, unit=1, span=Span(H, 4, 4), fault="alone", fault_kind="exception", code=2)
    line = moment_of([wide, alone])
    assert line.why_not(Span(H, 4, 4)) == ("alone", 2)
    assert line.why_not(Span(H, 5, 5)) == ("wide", 2)
    assert line.why_not(Span(Table.INPUT, 5, 5)) == ("not read", None)


# Modbus holds 123.456 as 42F6 E979 with the high word first (IEEE 754 single precision); the four orders of its bytes.
@pytest.mark.parametrize(
    ("words", "word_order", "byte_order"),
    [
        ([0x42F6, 0xE979], Order.HIGH_FIRST, Order.HIGH_FIRST),
        ([0xE979, 0x42F6], Order.LOW_FIRST, Order.HIGH_FIRST),
        ([0xF642, 0x79E9], Order.HIGH_FIRST, Order.LOW_FIRST),
        ([0x79E9, 0xF642], Order.LOW_FIRST, Order.LOW_FIRST),
    ],
)
def test_a_float_is_found_in_every_order(words: list[int], word_order: Order, byte_order: Order) -> None:
    assert Form(WordType.FLOAT32, word_order, byte_order).number(words) == pytest.approx(123.456)
    found = matches({(H, 7): words[0], (H, 8): words[1]}, wanted("123.456 A", 0.0))
    assert [(match.first, match.form) for match in found] == [(7, Form(WordType.FLOAT32, word_order, byte_order))]


def test_find_finds_every_form_that_a_device_may_use() -> None:
    """For each form a word pattern is made with struct or by hand, hidden among random words, and must be among the matches."""
    generator = random.Random(5)
    for form in all_forms():
        value = generator.randint(1001, 9999)
        words = _encoded(form, value)
        around_it = {(H, at): generator.randint(0, 65535) for at in range(30)}
        around_it |= {(H, 10 + index): word for index, word in enumerate(words)}
        power = -1
        text = f"{value if form.type in (WordType.FLOAT32, WordType.FLOAT64) else value / 10}"
        found = matches(around_it, wanted(text, 0.0))
        assert any(match.first == 10 and match.form == form and match.power in (power, 0) for match in found), form


def _encoded(form: Form, value: int) -> list[int]:
    if form.type in (WordType.FLOAT32, WordType.FLOAT64):
        data = struct.pack(">f" if form.type is WordType.FLOAT32 else ">d", value)
    elif form.type in (WordType.BCD16, WordType.BCD32):
        data = bytes.fromhex(f"{value:0{4 * form.word_count}d}")
    else:
        data = value.to_bytes(2 * form.word_count, "big")
    words = [int.from_bytes(data[at : at + 2], "big") for at in range(0, len(data), 2)]
    if form.word_order is Order.LOW_FIRST:
        words.reverse()
    return words if form.byte_order is Order.HIGH_FIRST else [(word & 0xFF) << 8 | word >> 8 for word in words]


def test_a_second_value_keeps_only_what_matches_both() -> None:
    before = {(H, 1): 420, (H, 2): 42, (H, 3): 0, (H, 4): 420}
    after = {(H, 1): 515, (H, 2): 42, (H, 3): 0, (H, 4): 420}
    first = matches(before, wanted("42 A"))
    second = still_matching(first, after, wanted("51.5 A"))
    assert {match.first for match in first} >= {1, 2, 4}
    assert {match.first for match in second} == {1}
    assert second[0].values == (42.0, 51.5)


def test_the_same_number_in_wider_types_is_folded() -> None:
    found = matches({(H, 0): 0, (H, 1): 420}, wanted("42.0 A", 0.0))
    folded = distinct(found)
    assert len(folded) < len(found)
    assert folded[0][0].form == Form(WordType.UINT16)


def test_find_offers_lines_that_give_the_value_again(tmp_path: Path) -> None:
    found = matches({(H, 0): 0xE979, (H, 1): 0x42F6, (H, 2): 1235}, wanted("123.5 A", 0.001))
    lines = [match.line(f"s{index}", "A") for index, match in enumerate(found)]
    for index, line in enumerate(lines):
        path = tmp_path / f"{index}.yaml"
        path.write_text(f"map: m\nprotocol: modbus\nsignals:\n  {line}\n")
        assert place(load_map(path).signals[0]) == found[index].span


def test_units() -> None:
    assert units_agree("A", "A") and units_agree("", "")
    assert not units_agree("A", "V") and not units_agree("kA", "A")


def test_what_find_keeps_comes_back(tmp_path: Path) -> None:
    kept = Kept(device="10.0.0.5:502", unit=2, values=("42 A",), matches=tuple(matches({(H, 9): 420}, wanted("42 A"))))
    write_kept(tmp_path / "kept", kept)
    assert read_kept(tmp_path / "kept") == kept
    assert read_kept(tmp_path / "absent") is None
    assert spans_of(kept.matches, 50) == [(9, 9, "holding")]
    for content in (b"{}", b"no", b'{"format": "startledger find 1"}', b'{"format": "startledger find 1", "device": 1, "unit": "x"}'):
        (tmp_path / "bad").write_bytes(content)
        with pytest.raises(InputError):
            read_kept(tmp_path / "bad")
    with pytest.raises(InputError, match="cannot be written"):
        write_kept(tmp_path / "no" / "folder", kept)


def test_spans_of_a_second_run_are_no_longer_than_a_request() -> None:
    found = [Match(table=H, first=at, form=Form(WordType.UINT16), power=0, values=(1.0,)) for at in range(0, 130)]
    assert [last - first + 1 for first, last, _ in spans_of(found, 50)] == [50, 50, 30]


def test_peek_marks_what_fits_and_shifts() -> None:
    shown = peek(Span(H, 10, 11), {9: 1, 10: 420, 11: 0, 12: 5}, {}, wanted("42 A"))
    assert [row.shift for row in shown.rows] == [-1, 0, 0, 1]
    row = shown.rows[1]
    assert next(cell.fits for cell in row.cells if cell.form == Form(WordType.UINT16)) == -1
    assert shown.as_json()["rows"][1]["values"][0]["fits_with_power"] == -1
    assert peek(Span(Table.COIL, 1, 1), {1: 1}, {2: "gone"}).rows[0].cells == ()


def _bare_map(**more: Any) -> RegisterMap:
    signal = Signal(name="a", key="a", role=None, place=ModbusPlace(span=Span(H, 5, 5), written="holding 5"), type=WordType.UINT16)
    return replace(RegisterMap(name="m", protocol=Protocol.MODBUS, signals=(signal,)), **more)


def test_no_extra_request_touches_what_is_forbidden_or_is_too_long() -> None:
    plain = _bare_map()
    assert around([Span(H, 5, 9)], plain) == [[Span(H, 4, 10), Span(H, 4, 4), Span(H, 10, 10)]]
    assert around([Span(H, 0, 9)], plain)[0][0] == Span(H, 0, 10)
    fenced = _bare_map(forbidden=(Span(H, 10, 20),))
    assert around([Span(H, 5, 9)], fenced) == [[Span(H, 4, 4)]]
    small = _bare_map(largest_block=5)
    assert around([Span(H, 5, 9)], small) == [[Span(H, 4, 4), Span(H, 10, 10)]]
    assert in_other_table([Span(H, 5, 9), Span(Table.COIL, 0, 1)], plain) == [Span(Table.INPUT, 5, 9), Span(Table.DISCRETE, 0, 1)]
    assert in_other_table([Span(H, 5, 9)], _bare_map(forbidden=(Span(Table.INPUT, 0, 99),))) == []
    assert uncovered([Span(H, 5, 6), Span(H, 6, 7)], [Span(H, 4, 6)]) == [Span(H, 6, 7)]
    assert halves(Span(H, 0, 4)) == (Span(H, 0, 2), Span(H, 3, 4))
    assert [span.count for span in pieces(Span(H, 0, 9), 4)] == [4, 4, 2]


def _framed(words: list[int]) -> Exchange:
    data = struct.pack(f">{len(words)}H", *words)
    sent = bytes.fromhex("000700000006 01 03 0005") + len(words).to_bytes(2, "big")
    received = b"\x00\x07\x00\x00" + (3 + len(data)).to_bytes(2, "big") + b"\x01\x03" + bytes([len(data)]) + data
    return exchange(5, words, at=1_700_000_000 * SECOND, sent=sent, received=received, round_trip_s=0.0123)


def test_a_record_comes_back_as_it_was(tmp_path: Path) -> None:
    good = _framed([1, 65535])
    bad = Exchange(at=SECOND, unit=3, span=Span(Table.COIL, 0, 7), fault="not there", fault_kind="exception", code=2, sent=b"\0\1")
    path = tmp_path / "frames.jsonl"
    with Recorder(path) as recorder:
        recorder.keep(good)
        recorder.keep(bad)
    back = read_frames(path)
    assert back[0] == replace(good, round_trip_s=back[0].round_trip_s)
    assert back[1] == bad
    assert [each.unit for each in read_frames(path, 3)] == [3]
    with pytest.raises(InputError, match="nothing of unit 9"):
        read_frames(path, 9)
    with pytest.raises(InputError, match="there already"):
        Recorder(path)
    with pytest.raises(InputError, match="cannot be written"):
        Recorder(tmp_path / "no" / "folder")


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda line: line.replace(b"ffff", b"fff"), "not an exchange"),
        (lambda line: line.replace(b'"received":"0007', b'"received":"0008'), "transaction id"),
        (lambda line: line.replace(b'"count":2', b'"count":3'), "bytes"),
        (lambda line: line.replace(b'"holding"', b'"shelf"'), "shelf"),
        (lambda line: line.replace(b'"unit":1,', b""), "unit is missing"),
        (lambda line: line.replace(b'"first":5', b'"first":70000'), "cannot be asked for"),
        (lambda line: b"[1]", "a line is one exchange"),
        (lambda line: b'{"format": "another 7"}', "another 7"),
        (lambda line: b"x" * 5000, "too long"),
    ],
)
def test_a_record_that_was_edited_is_refused_with_its_line(tmp_path: Path, change: object, words: str) -> None:
    path = tmp_path / "frames.jsonl"
    assert callable(change)
    path.write_bytes(frame_line(_framed([1, 65535])) + b"\n" + change(frame_line(_framed([1, 65535]))) + b"\n")
    with pytest.raises(InputError) as caught:
        read_frames(path)
    assert caught.value.problems[0].line == 2
    assert words in str(caught.value)


@pytest.mark.parametrize("name", ["ramp-pro-metered", "feeder-block", "bridge-soft-start", "softline-ua"])
def test_map_lines_load_to_the_same_signals(tmp_path: Path, name: str) -> None:
    truth = shipped(name)
    path = tmp_path / "again.yaml"
    lines = "\n".join(f"  {map_line(signal)}" for signal in truth.signals)
    path.write_text(f"map: again\nprotocol: {truth.protocol.value}\nsignals:\n{lines}\n")
    again = load_map(path)
    for before, after in zip(truth.signals, again.signals, strict=True):
        assert replace(after, place=before.place, line=before.line, wraps_at=before.wraps_at) == before
        if isinstance(before.place, ModbusPlace):
            assert place(after) == place(before)


def test_a_report_escapes_every_text_and_is_refused_before_the_work(tmp_path: Path) -> None:
    sheet = Sheet(
        title="<i>", heads=("<a>",), rows=(("<script>alert(1)</script>",), ("wrong",)), before=("<b>",), after=("&",), pasted=("<p>",)
    )
    html = report_html("<t>", 0, ["<f>"], [sheet])
    for tag in ("<script", "<i>", "<a>", "<b>", "<f>", "<t>"):
        assert tag not in html
    assert 'class="marked"' in html
    write_report(tmp_path / "r.json", "t", 0, [], [sheet], {"device": "d"})
    assert '"device": "d"' in (tmp_path / "r.json").read_text()
    check_report_path(None)
    for wrong in (tmp_path / "r.pdf", tmp_path / "no" / "r.html"):
        with pytest.raises(InputError):
            check_report_path(wrong)
    with pytest.raises(InputError, match="cannot be written"):
        write_report(tmp_path / "no" / "r.html", "t", 0, [], [], {})


def test_probe_arithmetic() -> None:
    pace = pace_of([0.001 * step for step in range(1, 201)])
    assert pace is not None
    assert (pace.p50_s, pace.p99_s, pace.safe_period_s) == pytest.approx((0.1, 0.198, 0.396))
    assert pace_of([]) is None
    of_bridge = exchange(0, None, fault="gateway target", fault_kind="exception", code=11)
    own = exchange(0, None, fault="not there", fault_kind="exception", code=2)
    assert not unit_answer(of_bridge).answers
    assert unit_answer(own).answers
