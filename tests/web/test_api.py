"""The API: the same facts as the pages, typed, with units in the names."""

from __future__ import annotations

import httpx
import pytest

from gateway.instants import from_iso, to_iso
from tests.web.tarn_hollow import NOW, FakePlant


async def test_motors(client: httpx.AsyncClient, plant: FakePlant) -> None:
    answer = (await client.get("/api/motors")).json()
    assert answer["site"] == "Tarn Hollow"
    assert answer["as_of"] == to_iso(NOW)
    dust = next(motor for motor in answer["motors"] if motor["name"] == "DC-01")
    assert dust["flc_a"] == 81
    assert dust["state"] == "stopped"
    assert dust["last_start"]["duration_s"] == 19.6
    assert dust["budget"]["deciding_limit"] == "starter_rating"
    assert dust["budget"]["limits"][0]["source"].startswith("starter rating AC-53b")
    assert "replaces no protection" in dust["budget"]["caution"]
    assert len(answer["motors"]) == 12


async def test_one_motor_with_values_and_alerts(client: httpx.AsyncClient) -> None:
    answer = (await client.get("/api/motors/BP-01")).json()
    values = {value["signal"]: value for value in answer["values"]}
    assert values["current"] == {"signal": "current", "value": None, "unit": "A", "flaw": "no link"}
    assert answer["alerts"][0]["priority"] == 2
    assert answer["budget"]["next_start_at"] is None
    assert (await client.get("/api/motors/NOPE")).status_code == 404


async def test_starts_come_in_pages(client: httpx.AsyncClient, plant: FakePlant) -> None:
    first = (await client.get("/api/motors/DC-01/starts?limit=100")).json()
    rest = (await client.get(f"/api/motors/DC-01/starts?limit=100&before={first['next_before']}")).json()
    numbers = [start["number"] for start in first["starts"] + rest["starts"]]
    assert numbers == [start.number for start in plant.motors["DC-01"].starts]
    assert rest["next_before"] is None


async def test_curve(client: httpx.AsyncClient, plant: FakePlant) -> None:
    number = plant.motors["DC-01"].starts[0].number
    answer = (await client.get(f"/api/motors/DC-01/starts/{number}/curve")).json()
    assert len(answer["at_s"]) == len(answer["columns"]["current"])
    assert answer["units"] == {"current": "A"}
    assert (await client.get("/api/motors/DC-01/starts/99999/curve")).status_code == 404


async def test_samples(client: httpx.AsyncClient) -> None:
    path = "/api/motors/DC-01/samples?signal=current&from=2026-03-12T13:00:00Z&to=2026-03-12T13:30:00%2B00:00"
    answer = (await client.get(path)).json()
    assert answer["unit"] == "A"
    assert answer["values"] == [0.0, None, 2.0, 3.0, 4.0, 5.0]
    assert from_iso(answer["at"][0]) == from_iso("2026-03-12T13:00:00Z")
    hour = (await client.get("/api/motors/DC-01/samples?signal=voltage")).json()
    assert len(hour["at"]) == 12


@pytest.mark.parametrize(
    "query",
    [
        "signal=current&from=yesterday",
        "signal=current&from=2026-03-12T13:00:00",
        "signal=current&from=2026-03-12T15:00:00Z&to=2026-03-12T13:00:00Z",
        "signal=current&from=2020-03-12T15:00:00Z",
        "signal=",
        "",
    ],
)
async def test_bad_spans_are_refused_in_words(client: httpx.AsyncClient, query: str) -> None:
    answer = await client.get(f"/api/motors/DC-01/samples?{query}")
    assert answer.status_code == 422
    assert answer.json()["advice"]


async def test_alerts_and_acknowledging(client: httpx.AsyncClient, plant: FakePlant) -> None:
    before = (await client.get("/api/alerts")).json()
    assert [alert["priority"] for alert in before["standing"]] == [1, 1, 2, 2, 3]
    assert before["standing"][0]["acknowledged_at"] is None
    assert len(before["past"]) == 1
    wanted = before["standing"][0]["id"]
    said = await client.post("/api/alerts/acknowledge", json={"alert": wanted, "by": "A. Fitter"})
    assert said.status_code == 200
    assert said.json()["acknowledged_by"] == "A. Fitter"
    assert plant.standing[0].acknowledged_by == "A. Fitter"
    again = await client.post("/api/alerts/acknowledge", json={"alert": wanted, "by": "A. Fitter"})
    assert again.status_code == 409


@pytest.mark.parametrize(
    "body",
    [
        {"alert": "x"},
        {"alert": "x", "by": ""},
        {"alert": "x", "by": "a\nb"},
        {"alert": "x", "by": "  "},
        {"alert": "x", "by": "y", "more": 1},
    ],
)
async def test_an_acknowledgement_needs_a_name(client: httpx.AsyncClient, body: dict[str, object]) -> None:
    assert (await client.post("/api/alerts/acknowledge", json=body)).status_code == 422


async def test_health(client: httpx.AsyncClient) -> None:
    answer = (await client.get("/api/health")).json()
    assert answer["is_well"] is False
    assert [link["is_open"] for link in answer["links"]] == [True, False, True]
    assert answer["links"][1]["faults"] == {"no_answer": 84, "closed": 1}
