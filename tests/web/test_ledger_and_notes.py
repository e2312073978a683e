"""The ledger asked for by outcome and days, notes of a motor, two starts beside each other."""

from __future__ import annotations

import re
from dataclasses import replace

import httpx
import pytest

from gateway.instants import HOUR, SECOND, from_iso
from gateway.motors.drift_terms import Begun, Drift, DriftBreak, Figure
from gateway.motors.records import Outcome
from tests.web.tarn_hollow import NOW, FakePlant, seen_start

HERE = {"origin": "http://gateway:8460"}


async def text(client: httpx.AsyncClient, path: str, status: int = 200) -> str:
    answer = await client.get(path)
    assert answer.status_code == status, answer.text
    return answer.text


def numbers(html: str) -> list[int]:
    ledger = html.split('id="ledger"', 1)[1].split("</section>")[0]
    return [int(found) for found in re.findall(r'</svg></td><td class="r">(\d+)</td>', ledger)]


async def test_the_ledger_shows_only_what_is_asked_for(client: httpx.AsyncClient, plant: FakePlant) -> None:
    motor = plant.motors["DC-01"]
    motor.starts[5] = replace(motor.starts[5], outcome=Outcome.STALLED)
    motor.starts[40] = replace(motor.starts[40], outcome=Outcome.TRIPPED)
    broken = await text(client, "/motors/DC-01?outcome=broken")
    assert numbers(broken) == [motor.starts[5].number, motor.starts[40].number]
    days = await text(client, "/motors/DC-01?first=2026-03-10&last=2026-03-10")
    inside = [start.number for start in motor.starts if NOW - 63 * HOUR < start.began_at < NOW - 38 * HOUR]
    assert numbers(days) == [number for number in inside if "10 Mar" in days][: len(numbers(days))]
    assert days.count("10 Mar ") >= len(numbers(days)) > 0
    none = await text(client, "/motors/DC-01?outcome=unseen")
    assert "No start of that kind in those days." in none


async def test_a_filtered_ledger_turns_its_pages_and_downloads_the_same(client: httpx.AsyncClient) -> None:
    first = await text(client, "/motors/DC-01?outcome=at_speed&last=2026-03-11")
    older = re.search(r'href="(/motors/DC-01\?outcome=at_speed&amp;last=2026-03-11&amp;before=\d+)#ledger"', first)
    assert older is not None
    second = await text(client, older.group(1).replace("&amp;", "&"))
    assert len(numbers(first)) == 20
    assert max(numbers(second)) == min(numbers(first)) - 1
    table = await text(client, "/motors/DC-01/starts.csv?outcome=at_speed&first=2026-03-10&last=2026-03-10")
    shown = numbers(await text(client, "/motors/DC-01?outcome=at_speed&first=2026-03-10&last=2026-03-10"))
    assert [int(line.split(",")[1]) for line in table.splitlines()[1:]] == shown


@pytest.mark.parametrize(
    ("query", "words"),
    [
        ("outcome=great", "outcome: choose one of"),
        ("first=yesterday", "first day: yesterday is no day"),
        ("last=0001-01-01", "lies outside every ledger"),
        ("first=2026-03-11&last=2026-03-10", "The last day lies before the first."),
    ],
)
async def test_a_question_that_cannot_be_understood_is_answered_in_words(client: httpx.AsyncClient, query: str, words: str) -> None:
    assert words in await text(client, f"/motors/DC-01?{query}", 422)


async def test_a_note_is_kept_shown_and_drawn(client: httpx.AsyncClient, plant: FakePlant) -> None:
    plant.breaks["DC-01"] = [DriftBreak(at=NOW - 30 * HOUR, reason="set_ramp_time 10 to 12")]
    before = await text(client, "/motors/DC-01")
    assert before.count('class="cutline"') == 4
    assert "setting changed at the starter: set_ramp_time 10 to 12" in before
    assert "None yet." not in before
    said = await client.post("/motors/DC-01/notes", data={"text": " new <b>bearings</b> ", "by": "A. Fitter"}, headers=HERE)
    assert (said.status_code, said.headers["location"]) == (303, "/motors/DC-01#notes")
    after = await text(client, "/motors/DC-01")
    assert "new &lt;b&gt;bearings&lt;/b&gt;" in after
    assert 'value="A. Fitter"' in after
    listed = await client.get("/api/motors/DC-01/notes")
    assert [note["text"] for note in listed.json()["notes"]] == ["new <b>bearings</b>"]
    made = await client.post("/api/motors/RW-01/notes", json={"text": "impeller cleaned", "by": "B. Smith"})
    assert made.status_code == 201
    assert plant.written["RW-01"][0].by == "B. Smith"


@pytest.mark.parametrize(
    ("data", "headers", "status"),
    [
        ({"text": "", "by": "me"}, HERE, 422),
        ({"text": "a" * 201, "by": "me"}, HERE, 422),
        ({"text": "done", "by": " "}, HERE, 422),
        ({"text": "done", "by": "me"}, {"origin": "http://evil.example"}, 403),
    ],
)
async def test_a_note_that_says_nothing_or_comes_from_elsewhere_is_refused(
    client: httpx.AsyncClient, plant: FakePlant, data: dict[str, str], headers: dict[str, str], status: int
) -> None:
    answer = await client.post("/motors/DC-01/notes", data=data, headers=headers)
    assert answer.status_code == status
    assert plant.written == {}


async def test_drift_is_said_with_its_hint(client: httpx.AsyncClient, plant: FakePlant) -> None:
    motor = plant.motors["RW-02"]
    drift = Drift(
        figure=Figure.DURATION,
        begun=Begun.WARM,
        baseline=8.9,
        now=10.8,
        unit="s",
        since_at=NOW - 70 * HOUR,
        starts=40,
        text="Warm starts took 10.8 s, were 8.9 s",
        hint="a heavier load or a lower voltage",
    )
    motor.live = replace(motor.live, drifts=(drift,))
    html = await text(client, "/motors/RW-02")
    assert "<b>Warm starts took 10.8 s, were 8.9 s</b> since 9 Mar 16:12. Look first: a heavier load or a lower voltage." in html
    assert html.count(">drifts<") == 1


async def test_two_starts_beside_each_other(client: httpx.AsyncClient, plant: FakePlant) -> None:
    html = await text(client, "/compare?motor=DC-01")
    latest, before = plant.motors["DC-01"].starts[:2]
    assert latest.duration_s is not None
    assert before.duration_s is not None
    assert f"DC-01 no. {latest.number} took {latest.duration_s - before.duration_s:.1f} s longer than DC-01 no. {before.number}." in html
    assert html.count('class="act in"') == 1
    assert html.count('class="pred"') == 1
    other = await text(client, "/compare?motor=DC-01&start=100&other=SC-01")
    assert "DC-01 no. 100" in other
    assert "SC-01 no. " in other
    assert "has no start 9999" in await text(client, "/compare?motor=DC-01&start=9999", 404)


async def test_starts_that_cannot_be_compared_say_so(client: httpx.AsyncClient, plant: FakePlant) -> None:
    assert "not seen: nothing to compare" in await text(
        client, f"/compare?motor=DC-01&other=BP-01&other_start={plant.motors['BP-01'].starts[0].number}"
    )
    motor = plant.motors["RW-01"]
    motor.starts = [seen_start(motor.starter, 1, NOW - HOUR, 10.0)]
    assert "There are not two recorded starts" in await text(client, "/compare?motor=RW-01&other=RW-01")
    twin = seen_start(motor.starter, 2, NOW, 10.05)
    motor.starts.insert(0, twin)
    assert "as long as" in await text(client, "/compare?motor=RW-01")
    plant.motors.clear()
    assert "no motor" in await text(client, "/compare", 404)


async def test_the_wire_page_shows_what_is_asked(client: httpx.AsyncClient) -> None:
    html = await text(client, "/wire")
    plan = html.split('class="led plan"', 1)[1].split("</table>")[0]
    assert plan.count("<tr><td>") == 1
    assert plan.count("/motors/") == 12
    assert re.search(r"holding 0 to \d+", plan)


async def test_days_are_typed_year_first_and_said_back_in_words(client: httpx.AsyncClient) -> None:
    html = (await client.get("/motors/DC-01?outcome=at_speed&first=20260311&last=2026-03-12")).text
    assert "Shown: at speed, from Wed 11 Mar 2026 to Thu 12 Mar 2026, local time." in html
    assert 'value="2026-03-11"' in html
    assert 'type="date"' not in html
    plain = (await client.get("/motors/DC-01")).text
    assert "Shown:" not in plain
    assert 'href="/motors/DC-01?first=2026-03-06&amp;last=2026-03-12#ledger">7 days</a>' in plain


@pytest.mark.parametrize("typed", ["12/03/2026", "03-12-2026", "2026-02-30", "2026-W11-4", "1.2.26"])
async def test_a_day_that_could_be_another_is_refused(client: httpx.AsyncClient, typed: str) -> None:
    answer = await client.get("/motors/DC-01", params={"first": typed})
    assert answer.status_code == 422
    assert "2026-03-12" in answer.text


async def test_the_half_hour_that_comes_twice_is_told_apart_on_the_page(client: httpx.AsyncClient, plant: FakePlant) -> None:
    motor = plant.motors["DC-01"]
    autumn = [from_iso("2025-10-26T01:30:00Z"), from_iso("2025-10-26T00:30:00Z")]
    motor.starts = [replace(start, began_at=at, ended_at=at + 10 * SECOND) for start, at in zip(motor.starts[:2], autumn, strict=True)]
    html = (await client.get("/motors/DC-01")).text
    table = re.sub(r"<[^>]+>", " ", html[html.index('id="ledger-table"') :])
    found = re.findall(r"26 Oct 2025 01:30:00[^\s]*(?: \w+)?", table)
    assert len(found) == 2
    assert len(set(found)) == 2, found
