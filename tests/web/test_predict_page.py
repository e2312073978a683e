from __future__ import annotations

import asyncio
import re
import threading
from dataclasses import replace

import httpx
import pytest
from fastapi import HTTPException

from gateway.motors.facts import StarterData
from gateway.web import predict_page
from gateway.web.predict_page import PredictionShelf, tried_starter
from gateway.web.shapes.label_places import Box, placed_names
from tests.services.test_prediction import FAN
from tests.web.tarn_hollow import FakePlant

NOTHING = {"ramp": "", "voltage": "", "limit": ""}


async def test_the_page_answers_in_a_sentence_with_its_figures_and_pictures(client: httpx.AsyncClient) -> None:
    page = await client.get("/predict?motor=DC-01")
    assert page.status_code == 200
    assert re.search(r"<h1>DC-01 reaches speed in \d+\.\d s at 3\.5 × FLC, \d\.\d starts an hour\.</h1>", page.text)
    assert "What would another starting method do" in page.text
    assert page.text.count('class="chart run"') == 12
    assert re.search(r'<a href="/predict"[^>]* aria-current="page">Predict', page.text)
    assert "It replaces no protection" in page.text
    assert "style=" not in page.text.replace("stylesheet", ""), "the content policy allows no inline style"


async def test_without_a_motor_the_first_one_is_predicted(client: httpx.AsyncClient, plant: FakePlant) -> None:
    page = await client.get("/predict")
    assert page.status_code == 200
    assert "<h1>" in page.text
    for entry in plant.site.starters:
        assert f'value="{entry.starter.name}"' in page.text


async def test_settings_are_tried_and_wrong_ones_told(client: httpx.AsyncClient) -> None:
    tried = await client.get("/predict?motor=DC-01&limit=5&ramp=4")
    assert "limit 5 × FLC" in tried.text
    assert "As set now" in tried.text
    wrong = await client.get("/predict", params={"motor": "DC-01", "limit": "many", "ramp": "0"})
    assert wrong.status_code == 200
    assert "current limit: many cannot be" in wrong.text
    assert "ramp: 0 cannot be" in wrong.text
    assert "DC-01 cannot be predicted yet." in wrong.text


async def test_an_unknown_motor_is_not_found_and_text_is_escaped(client: httpx.AsyncClient) -> None:
    assert (await client.get("/predict?motor=XX-9")).status_code == 404
    marked = await client.get("/predict", params={"motor": "DC-01", "limit": "<b>"})
    assert "<b>" not in marked.text.split("<form", 1)[1].split("</form>")[0]
    assert (await client.get("/predict", params={"motor": "DC-01", "limit": "x" * 9})).status_code == 422


async def test_many_ask_at_once_and_one_prediction_is_made(client: httpx.AsyncClient, monkeypatch: pytest.MonkeyPatch) -> None:
    made: list[str] = []
    real = predict_page._worked_out

    def counted(starter: predict_page.Starter) -> predict_page.Told:
        made.append(starter.name)
        return real(starter)

    monkeypatch.setattr(predict_page, "_worked_out", counted)
    answers = await asyncio.gather(*(client.get("/predict?motor=RW-01") for _ in range(5)))
    assert [answer.status_code for answer in answers] == [200] * 5
    assert made == ["RW-01"]


def test_a_motor_that_cannot_be_predicted_says_what_to_write() -> None:
    told = PredictionShelf().told(replace(FAN, load=None))
    assert told.view is None
    assert told.problems[0].field == "starters.DC-01.load"


def test_the_shelf_keeps_the_last_ones_only(monkeypatch: pytest.MonkeyPatch) -> None:
    made: list[float | None] = []

    def noted(starter: predict_page.Starter) -> predict_page.Told:
        made.append(starter.device.ramp_time_s)
        return predict_page.Told(view=None, problems=())

    monkeypatch.setattr(predict_page, "_worked_out", noted)
    shelf = PredictionShelf(most=2)
    for ramp_s in (1.0, 2.0, 1.0, 3.0, 2.0):
        shelf.told(replace(FAN, device=StarterData(ramp_time_s=ramp_s)))
    assert made == [1.0, 2.0, 3.0, 2.0]


def test_when_the_turn_does_not_come_it_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    begun, go_on = threading.Event(), threading.Event()

    def slow(starter: predict_page.Starter) -> predict_page.Told:
        begun.set()
        go_on.wait(timeout=30)
        return predict_page.Told(view=None, problems=())

    monkeypatch.setattr(predict_page, "_worked_out", slow)
    shelf = PredictionShelf(wait_s=0.01)
    first = threading.Thread(target=shelf.told, args=(FAN,))
    first.start()
    begun.wait(timeout=30)
    with pytest.raises(HTTPException, match="Other predictions are being worked out"):
        shelf.told(FAN)
    go_on.set()
    first.join(timeout=30)
    assert not first.is_alive()


def test_what_is_typed_replaces_what_is_set() -> None:
    tried, problems = tried_starter(FAN, {"ramp": "4", "voltage": "50", "limit": ""})
    assert problems == []
    assert (tried.device.ramp_time_s, tried.device.initial_voltage_ratio, tried.device.current_limit_ratio) == (4.0, 0.5, 3.5)
    assert tried_starter(FAN, NOTHING) == (FAN, [])
    assert len(tried_starter(FAN, {"ramp": "nan", "voltage": "1e9", "limit": "inf"})[1]) == 3


def test_names_of_curves_do_not_lie_on_each_other() -> None:
    curves = [(f"curve {place}", [(0.0, 50.0 + place), (200.0, 50.0 + place)]) for place in range(3)]
    names = placed_names(curves, Box(0.0, 0.0, 200.0, 100.0))
    assert len(names) == 3
    for one in names:
        for other in names:
            if one is not other:
                apart_x = max(other.x - one.x - one.width, one.x - other.x - other.width)
                assert apart_x >= 0 or abs(one.y - other.y) >= 11.0
