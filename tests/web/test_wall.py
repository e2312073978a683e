"""The wall view: one line, at most six motors, the most pressing first, and never a hint less than there is."""

from __future__ import annotations

from dataclasses import replace

import httpx
import pytest

from gateway.motors.alerts import AlertKind
from gateway.web.snapshot import Snapshot, take_snapshot
from gateway.web.wall_page import KIND_WORDS, MOST_ROWS, hidden_count, wall_rows, wall_sentence
from tests.web.tarn_hollow import NOW, FakePlant, alert_of


def moment(plant: FakePlant) -> Snapshot:
    return take_snapshot(plant, NOW)


def test_what_presses_comes_first_then_who_waits(plant: FakePlant) -> None:
    rows = wall_rows(moment(plant))
    assert [(row.name, row.priority, row.word, row.next_main) for row in rows] == [
        ("CM-01", 1, "stalled", "14:22"),
        ("DC-01", 1, "too often", "14:37"),
        ("RW-02", 2, "hot", "2 left"),
        ("BP-01", 2, "no data", "not known"),
    ]
    plant.standing.clear()
    assert [(row.name, row.priority, row.word) for row in wall_rows(moment(plant))] == [("CM-01", 0, "tripped"), ("DC-01", 0, "stopped")]


def test_one_line(plant: FakePlant) -> None:
    assert wall_sentence(moment(plant)) == "2 need action, 2 a look"
    plant.standing = plant.standing[:1]
    assert wall_sentence(moment(plant)) == "1 needs action"
    plant.standing[:] = [alert_of("RW-02", AlertKind.DRIFT, 2, "starts grow longer", "bearings", 3)]
    assert wall_sentence(moment(plant)) == "1 needs a look"
    plant.standing.clear()
    assert wall_sentence(moment(plant)) == "All 12 as usual"
    whole = moment(plant)
    silent = replace(whole, motors=tuple(replace(motor, live=replace(motor.live, at=None)) for motor in whole.motors))
    assert wall_sentence(silent) == "No data yet"


def test_more_than_fit_are_counted(plant: FakePlant) -> None:
    for name in ("SC-01", "CV-01", "CV-03", "FN-02"):
        plant.standing.append(alert_of(name, AlertKind.HEAT, 2, "Thermal capacity 88 %", "wait", 3))
    assert len(wall_rows(moment(plant))) == MOST_ROWS
    assert hidden_count(moment(plant)) == 2


@pytest.mark.parametrize("kind", list(AlertKind))
def test_every_kind_has_a_short_word(kind: AlertKind) -> None:
    assert 1 <= len(KIND_WORDS[kind]) <= 13


async def test_the_page(client: httpx.AsyncClient) -> None:
    html = (await client.get("/wall")).text
    assert "2 need action, 2 a look</h1>" in html
    assert "Advice, replaces no protection" in html
