"""The four forms of a report: the same content each time, every figure in each, nothing in a name that runs."""

from __future__ import annotations

import csv
import io
import json
import re
from dataclasses import replace
from html import unescape
from typing import Any

import pytest
from pypdf import PageObject, PdfReader

from gateway.instants import HOUR, to_iso
from gateway.motors.facts import LoadKind
from gateway.motors.records import LimitName, Outcome
from gateway.store.readers import StoredEvent
from gateway.web.reports.content import Report
from gateway.web.reports.facts_table import COLUMNS, csv_text
from gateway.web.reports.happenings import happenings_of
from gateway.web.reports.issue import FORMS, issue_report
from gateway.web.reports.page import html_text
from gateway.web.reports.pdf import SMALLEST_PT, pdf_bytes
from gateway.web.reports.period import chosen_period
from gateway.web.reports.plain import as_plain
from gateway.web.reports.sheets import MOST_LISTED, sheets_of
from gateway.web.reports.summary import headline, topics
from gateway.web.reports.words import CAUTION
from tests.web.reports.conftest import TIME, made, motor
from tests.web.tarn_hollow import NOW, ZONE, FakePlant, motor_of, starter_of, unseen_start

ISSUED_PLACES = re.compile(r"(?<=<dd id=\"issued\">).*?(?=</dd>)")


def plain_text(html: str) -> str:
    return unescape(re.sub(r"\s+", " ", re.sub(r"<style>.*?</style>|<[^>]+>", " ", html, flags=re.S)))


def pdf_pages(data: bytes) -> list[str]:
    """Return the text of each page of a PDF."""
    return [page.extract_text() for page in PdfReader(io.BytesIO(data)).pages]


def type_sizes(page: PageObject) -> set[float]:
    """Return the sizes of type on a page in points, as they come out on paper."""
    found: set[float] = set()

    def take(text: str, place: list[float], matrix: list[float], font: object, size: float) -> None:
        if text.strip():
            found.add(round(abs(size * matrix[3] * place[3]), 2))

    page.extract_text(visitor_text=take)
    return found


@pytest.mark.parametrize("form", list(FORMS))
def test_the_same_records_give_the_same_bytes(plant: FakePlant, form: str) -> None:
    assert FORMS[form](made(plant), TIME) == FORMS[form](made(plant), TIME)


def test_issued_later_nothing_changes_but_the_time_of_issue(plant: FakePlant) -> None:
    now, later = made(plant), made(plant, issued_h_later=5)
    assert later.issued_at == now.issued_at + 5 * HOUR
    assert later.id == now.id
    assert as_plain(later) | {"issued_at": ""} == as_plain(now) | {"issued_at": ""}
    assert ISSUED_PLACES.sub("", html_text(later, TIME)) == ISSUED_PLACES.sub("", html_text(now, TIME))
    changed = [(a, b) for a, b in zip(csv_text(now, TIME).split("\r\n"), csv_text(later, TIME).split("\r\n"), strict=True) if a != b]
    assert [a.split(",")[:3] for a, _ in changed] == [["report", "", "issued"]]
    first, second = (pdf_pages(pdf_bytes(report, TIME)) for report in (now, later))
    assert [place for place, (a, b) in enumerate(zip(first, second, strict=True)) if a != b] == [0]  # the first page alone
    assert re.sub(r"12 Mar 2026 (14|19):12, E", "", first[0]) == re.sub(r"12 Mar 2026 (14|19):12, E", "", second[0])


def test_another_content_has_another_id(plant: FakePlant) -> None:
    before = made(plant)
    plant.motors["DC-01"].starts[0] = replace(plant.motors["DC-01"].starts[0], peak_ratio=3.51)
    assert made(plant).id != before.id
    assert re.fullmatch(r"20260306-20260312-[0-9a-f]{8}", before.id)


def test_the_summary_answers_its_questions(plant: FakePlant) -> None:
    report = made(plant)
    said = {topic.title: " ".join((topic.sentence, *topic.lines)) for topic in topics(report)}
    total = sum(len(each.starts) for each in report.motors)
    assert headline(report) == f"12 motors made {total} starts in 6 days 14 h."
    most = max(report.motors, key=lambda each: len(each.starts))
    assert said["Who starts most"].startswith(f"{most.name} {len(most.starts)}")
    assert "CM-01: 1 stalled" in said["Cut off, stalled or tripped"]
    assert "BP-01: 2 of" in said["Counted, not seen"]
    assert "SC-01: 99.3 % with readings; 1 gap, the longest 60 min (no answer)" in said["Data gaps"]
    assert "RW-02: duration in the middle" in said["Who drifts"]
    assert (
        "RW-02: found to drift in the period: Starts grow longer: 8.9 to 10.8 s; look first: look at the delivery valve"
        in said["Who drifts"]
    )
    assert "BP-01" in said["Data gaps"]  # no reading for 14 min


def test_every_answer_has_its_quiet_form() -> None:
    plant = FakePlant({})
    assert headline(made(plant)) == "The site file names no motor."
    calm = starter_of("FN-09", "drying fan", 7.5, 15, LoadKind.FAN)
    plant = FakePlant({"FN-09": motor_of(calm, (), 8.0)})
    report = made(plant)
    assert headline(report) == "No start in 6 days 14 h."
    assert [topic.sentence.split(":")[0].split(".")[0] for topic in topics(report)] == [
        "No motor was started",
        "No start that was seen came before its limits permitted it",
        "None",
        "No motor's starts have left what was usual before the period, and none was found to drift",
        "None",
        "None",
    ]
    assert "No start in the period." in plain_text(html_text(report, TIME))
    assert pdf_bytes(report, TIME).startswith(b"%PDF-")


def test_one_motor_alone(plant: FakePlant) -> None:
    report = made(plant, chosen="DC-01")
    assert [each.name for each in report.motors] == ["DC-01"]
    assert "concern only this motor" in plain_text(html_text(report, TIME))
    assert as_plain(report)["chosen"] == "DC-01"


def test_the_page_has_what_a_filed_report_needs(plant: FakePlant) -> None:
    report = made(plant)
    html = html_text(report, TIME)
    text = plain_text(html)
    for part in (
        "Tarn Hollow: report on motor starts",
        "Fri 6 Mar 2026 00:00 to Thu 12 Mar 2026 14:12 (Europe/London, UTC+00:00)",
        "of the period, all motors together",
        f"startledger {report.version}",
        "Thu 12 Mar 2026 14:12, Europe/London, UTC+00:00",
        "site rule SR-4",
        "IEC 60947-4-2",
        "measured, ± poll interval",
        f"End of report {report.id}.",
        "not reviewed by a person",
    ):
        assert part in text, part
    parts = len(report.motors) + 2
    assert text.count(CAUTION) == parts
    assert [f"Report {report.id}, part {place} of {parts}" in text for place in range(1, parts + 1)] == [True] * parts
    assert html.count("<svg") >= 12 * 6
    assert 'counter(page) " of " counter(pages)' in html
    assert "<script" not in html
    assert "http" not in re.sub(r"<style>.*?</style>", "", html, flags=re.S)


def test_every_page_of_the_pdf_carries_caution_id_and_number(plant: FakePlant) -> None:
    report = made(plant)
    pages = pdf_pages(pdf_bytes(report, TIME))
    assert len(pages) > len(report.motors)
    for number, text in enumerate(pages, 1):
        assert CAUTION in text
        assert f"Report {report.id}, startledger" in text
        assert f"page {number} of {len(pages)}" in text
    assert f"End of report {report.id}." in pages[-1]
    assert "Figures" in pages[1] and "site rule SR-4" in " ".join(pages)
    assert "19.6 s, usual" in " ".join(pages)


def test_no_type_on_paper_is_smaller_than_nine_points(plant: FakePlant) -> None:
    reader = PdfReader(io.BytesIO(pdf_bytes(made(plant), TIME)))
    sizes = set().union(*(type_sizes(page) for page in reader.pages))
    assert len(sizes) > 4
    assert min(sizes) >= SMALLEST_PT


def test_greek_cyrillic_and_a_true_minus_are_in_the_pdf(plant: FakePlant) -> None:
    plant.motors["X-1"] = motor_of(starter_of("X-1", "Ανεμιστήρας −5 Насос", 45, 81, LoadKind.FAN), (5, 50), 12.0, older=20)
    assert "Ανεμιστήρας −5 Насос" in " ".join(pdf_pages(pdf_bytes(made(plant, chosen="X-1"), TIME)))


def test_json_holds_every_start_with_its_errors(plant: FakePlant) -> None:
    report = made(plant)
    told = json.loads(FORMS["json"](report, TIME))
    dust = next(each for each in told["motors"] if each["motor"] == "DC-01")
    records = motor(report, "DC-01").starts
    assert [start["number"] for start in dust["starts"]] == [start.number for start in records]
    assert dust["starts"][-1]["duration_s"] == 19.6
    assert dust["starts"][-1]["duration_error_s"] == 0.1
    assert dust["not_as_usual"] == [records[-1].number]
    assert told["from"] == "2026-03-06T00:00:00.000000Z"
    assert told["caution"] == CAUTION
    assert all(limit["source"] for each in told["motors"] for limit in each["limits"])


def test_the_table_has_every_start_limit_gap_and_alert(plant: FakePlant) -> None:
    report = made(plant)
    rows = list(csv.DictReader(io.StringIO(csv_text(report, TIME))))
    assert tuple(rows[0]) == COLUMNS
    durations = [row for row in rows if row["part"] == "start" and row["what"] == "duration"]
    assert len(durations) == report.starts
    assert sum(1 for row in rows if row["part"] == "alert") == sum(len(each.alerts) for each in report.motors) == 6
    (gap,) = (row for row in rows if row["part"] == "gap" and row["motor"] == "SC-01")
    assert (gap["value"], gap["words"], gap["from_utc"]) == ("3600.0", "no answer", to_iso(NOW - 30 * HOUR))
    early = [row for row in rows if row["part"] == "before permitted"]
    assert len(early) == sum(len(each.breaches) for each in report.motors)


def hostile(plant: FakePlant) -> Report:
    name = "=cmd|' /C calc'!A0"
    bad = starter_of("X-1", '<script>alert(1)</script></style><img src=x onerror="a()">&{{7*7}}', 45, 81, LoadKind.FAN)
    plant.site_name = name
    plant.motors["X-1"] = motor_of(bad, (5, 50), 12.0, older=20)
    plant.motors["X-1"].starts[0] = replace(plant.motors["X-1"].starts[0], outcome=Outcome.TRIPPED, remark="@SUM(1)<b>bold</b>")
    return made(plant)


def test_nothing_in_a_name_runs_or_breaks_a_form(plant: FakePlant) -> None:
    report = hostile(plant)
    html = html_text(report, TIME)
    assert "<script" not in html
    assert "<img" not in html
    assert "&lt;script&gt;alert(1)" in html
    assert "<b>bold" not in html
    assert pdf_bytes(report, TIME).startswith(b"%PDF-")
    rows = list(csv.reader(io.StringIO(csv_text(report, TIME))))
    cells = [value for row in rows for value in row]
    assert "'=cmd|' /C calc'!A0" in cells
    risky = [value for value in cells if value[:1] in "=+-@\t" and value and not re.fullmatch(r"[+-]?[\d.]+(e-?\d+)?", value)]
    assert risky == []


def test_a_long_list_is_cut_on_the_page_and_says_so(plant: FakePlant) -> None:
    name = "TH-01"
    starter = starter_of(name, "rake", 4, 8.6, LoadKind.CONVEYOR)
    many = [unseen_start(number, NOW - (60 - number) * HOUR, NOW - (60 - number) * HOUR + HOUR) for number in range(40, 0, -1)]
    plant.motors[name] = replace(motor_of(starter, (1500,), 0.7, older=4), starts=many)
    report = made(plant)
    sheet = next(each for each in sheets_of(report, TIME).motors if each.name == name)
    assert len(sheet.starts) == MOST_LISTED
    assert sheet.starts_more == motor(report, name).unseen - MOST_LISTED > 0
    assert f"{sheet.starts_more} more in the JSON and CSV forms" in plain_text(html_text(report, TIME))
    assert sheet.starts[0][-1] == "counted by the starter, not seen; no link"


def test_what_else_happened_is_told_in_order_in_every_form(plant: FakePlant) -> None:
    report = made(plant, chosen="RW-02")
    words = ["site file changed", "note by AB: gland packed", "Starts grow longer: 8.9 to 10.8 s; look first: look at the delivery valve"]
    assert [each["words"] for each in as_plain(report)["motors"][0]["happenings"]] == words
    rows = csv.DictReader(io.StringIO(csv_text(report, TIME)))
    assert [row["words"] for row in rows if row["part"] == "happening"] == words
    assert [row[1] for row in sheets_of(report, TIME).motors[0].happenings] == words
    text = plain_text(html_text(report, TIME))
    assert all(each in text for each in words)


@pytest.mark.parametrize(
    ("kind", "body", "words"),
    [
        (
            "settings_changed",
            {"changes": [{"key": "set_ramp_time", "before": 10.0, "after": 6.0}]},
            ["set_ramp_time changed from 10.0 to 6.0"],
        ),
        ("phase_lost", {"phase": "L2", "number": None}, ["phase L2 lost"]),
        ("phase_lost", {"phase": "L2", "number": 7}, ["phase L2 lost in start 7"]),
        ("drift_found", {"drifts": [{"text": "stops grow shorter", "hint": ""}]}, ["stops grow shorter"]),
        ("told_elsewhere", {}, []),
    ],
)
def test_each_kind_of_event_in_words(kind: str, body: dict[str, Any], words: list[str]) -> None:
    found = [each.words for each in happenings_of([StoredEvent(at=NOW, kind=kind, body=body)], [], [])]
    assert [each.endswith(word) for each, word in zip(found, words, strict=True)] == [True] * len(words)


def test_who_started_too_early_is_named_with_limit_and_how_much(plant: FakePlant) -> None:
    dust = motor(made(plant), "DC-01")
    assert {breach.limit for breach in dust.breaches} <= {LimitName.SITE_STARTS_PER_HOUR, LimitName.STARTER_RATING}
    words = [row[-1] for row in next(s for s in sheets_of(made(plant), TIME).motors if s.name == "DC-01").starts]
    assert any(word.startswith("19.6 s, usual") for word in words)


def test_a_long_period_has_its_tables_before_the_tall_map(plant: FakePlant) -> None:
    period = chosen_period("2026-02-01", "2026-03-11", ZONE, NOW)
    report = issue_report(plant.site, plant.periods, period, lambda name: NOW, NOW, "DC-01")
    text = plain_text(html_text(report, TIME))
    assert text.index("Limits") < text.index("Starts in each hour last 31 days")
    assert text.count("Starts in each hour") == 1
    page = " ".join(pdf_pages(pdf_bytes(report, TIME)))
    assert page.index("Limits") < page.index("Starts in each hour, last 31 days")
