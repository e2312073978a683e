"""The pages as they leave the gateway: useful before any script runs, right figures, hostile names harmless."""

from __future__ import annotations

import re
from dataclasses import replace

import httpx
import pytest
from fastapi import FastAPI

from gateway.clock import HandClock
from gateway.errors import StoreError
from gateway.instants import SECOND
from gateway.motors.alerts import AlertKind
from gateway.motors.facts import LoadKind
from gateway.motors.reading import Quality
from gateway.motors.records import MotorState
from gateway.services.health import LinkHealth
from gateway.web.alert_page import told
from gateway.web.application import create_app
from tests.web.tarn_hollow import NOW, FakePlant, alert_of, motor_of, starter_of


def words(html: str) -> str:
    """Return a page's text without its marks and pictures."""
    plain = re.sub(r"<svg.*?</svg>|<[^>]+>", " ", html, flags=re.S)
    return re.sub(r"\s+", " ", plain)


def row(html: str, name: str) -> str:
    found = re.search(rf'<a class="row [^"]*"[^>]*data-motor="{name}">.*?</a>', html, flags=re.S)
    assert found is not None, name
    return found.group(0)


async def page(client: httpx.AsyncClient, path: str) -> str:
    answer = await client.get(path)
    assert answer.status_code == 200, answer.text
    assert answer.headers["content-type"] == "text/html; charset=utf-8"
    return answer.text


async def test_motors_page_says_it_all_without_a_script(client: httpx.AsyncClient) -> None:
    html = await page(client, "/")
    assert '<h1 id="sentence" data-part>2 motors need action, 2 need a look.</h1>' in html
    dust = words(row(html, "DC-01"))
    for part in ("Last start took 19.6 s, usual 12 s", "stopped 14:09", "20 %", "14:07, 19.6 s", "14:37", "starter rating decides"):
        assert part in dust, part
    assert "running 0.80" in words(row(html, "RW-01"))
    assert "2 left site rule" in words(row(html, "RW-01"))
    silent = row(html, "BP-01")
    assert "not known" in silent
    assert " stale unc" in silent
    assert "The budget is advice. It replaces no protection." in html
    assert "data at most 2 s old; BP-01 14 min" in words(html)


async def test_what_needs_somebody_comes_first_and_the_rest_keeps_its_order(client: httpx.AsyncClient) -> None:
    html = await page(client, "/")
    order = re.findall(r'data-motor="([^"]+)"', html)
    assert order == ["CM-01", "DC-01", "RW-02", "BP-01", "CV-02", "RW-01", "SC-01", "CV-01", "CV-03", "FN-02", "SW-01", "TH-01"]


async def test_find_works_without_a_script(client: httpx.AsyncClient) -> None:
    html = await page(client, "/?find=PUMP")
    shown = re.findall(r"<li><a class=\"row[^>]*data-motor=\"([^\"]+)\"", html)
    assert shown == ["RW-02", "BP-01", "RW-01"]


async def test_motor_page(client: httpx.AsyncClient) -> None:
    html = await page(client, "/motors/DC-01")
    text = words(html)
    for part in (
        "May be started again at 14:37.",
        "The starter rating decides: ",
        "Look first: check the inlet damper.",
        "dust-collector fan, 45 kW, FLC 81 A, soft starter",
        "stopped since 14:09",
        "Starter rating",
        "site rule SR-4",
        "IEC 60255-149",
        "a start needs",
        "Latest start, 14:07:01",
        "today 14:07:01",
        "19.6 s, usual 11.",
        "126 starts recorded",
        "Download CSV",
    ):
        assert part in text, part
    assert html.count("<tr") > 20


async def test_ledger_pages(client: httpx.AsyncClient, plant: FakePlant) -> None:
    html = await page(client, "/motors/DC-01")
    older = re.search(r'href="(/motors/DC-01\?before=\d+)#ledger"', html)
    assert older is not None
    second = await page(client, older.group(1))
    assert "before number" in words(second)
    assert ">Newest</a>" in second
    last = await page(client, "/motors/DC-01?before=3")
    assert ">Older</a>" not in last


async def test_the_newest_start_shows_before_it_is_committed(client: httpx.AsyncClient, plant: FakePlant) -> None:
    motor = plant.motors["RW-01"]
    newest = replace(motor.starts[0], number=motor.starts[0].number + 1, began_at=NOW - 1_000_000, duration_s=9.7)
    motor.live = replace(motor.live, last_start=newest, total_starts=newest.number)
    assert "today 14:11:59" in await page(client, "/motors/RW-01")
    assert "the latest took 9.7 s" in await page(client, "/")
    motor.starts.insert(0, newest)
    assert (await page(client, "/motors/RW-01")).count("today 14:11:59") == 1


async def test_alerts_page_and_its_form(client: httpx.AsyncClient, plant: FakePlant) -> None:
    html = await page(client, "/alerts")
    assert "5 alerts: 3 wait to be acknowledged." in html
    assert "3 in the last 30 min; a flood is 10 in 10 min" in html
    assert html.count('name="alert"') == 3
    said = await client.post(
        "/alerts/acknowledge", data={"alert": plant.standing[0].id, "by": " Änne O'Hara "}, headers={"origin": "http://gateway:8460"}
    )
    assert said.status_code == 303
    assert said.headers["location"] == "/alerts"
    assert "HttpOnly" in said.headers["set-cookie"]
    after = await page(client, "/alerts")
    assert "14:12 by Änne O&#39;Hara" in after
    assert 'value="Änne O&#39;Hara"' in after
    assert after.count('name="alert"') == 2


@pytest.mark.parametrize(
    ("body", "status"),
    [
        (b"alert=x&by=", 422),
        (b"by=me", 422),
        (b"\xff\xfe", 422),
        (b"a" * 5000, 413),
        (b"alert=gone&by=me", 409),
        (b"&".join([b"a=1"] * 30), 422),
    ],
)
async def test_bad_forms_are_answered_in_words(client: httpx.AsyncClient, body: bytes, status: int) -> None:
    answer = await client.post("/alerts/acknowledge", content=body)
    assert answer.status_code == status
    assert "<h1" in answer.text


async def test_no_alert(client: httpx.AsyncClient, plant: FakePlant) -> None:
    plant.standing.clear()
    assert "No alert stands." in await page(client, "/alerts")
    assert "All 12 motors as usual." in await page(client, "/")


def test_lost_data_that_are_back_say_how_long_they_were_away() -> None:
    """The text of the moment it was raised would tell a technician that 40 min of silence were 51 s."""
    lost = alert_of("BP-01", AlertKind.NO_DATA, 2, "no data for 51 s", "whether the device is on", 60)
    assert told(lost) == "No data for 51 s"
    assert told(replace(lost, returned_at=lost.raised_at + 40 * 60 * SECOND)) == "No data, back after 40 min"
    assert told(replace(lost, kind=AlertKind.DRIFT, text="I2t of starts grows: 31 to 42 FLC2 s")) == "I²t of starts grows: 31 to 42 FLC² s"


async def test_alert_sentences(client: httpx.AsyncClient, plant: FakePlant) -> None:
    plant.standing = plant.standing[:1]
    assert "1 alert waits to be acknowledged." in await page(client, "/alerts")
    plant.standing = [replace(plant.standing[0], acknowledged_at=NOW, acknowledged_by="")]
    assert "1 alert, it is acknowledged." in await page(client, "/alerts")


async def test_wire_page(client: httpx.AsyncClient, plant: FakePlant) -> None:
    text = words(await page(client, "/wire"))
    for part in ("1 of 3 connections has trouble: nothing since 13:58.", "84 no answer, 1 closed by the device", "4.0 / 21", "3 of 93213"):
        assert part in text, part
    plant.connections = plant.connections[:1]
    assert "The connection brings readings." in await page(client, "/wire")
    plant.connections = [replace(link, is_open=False, last_good_at=None) for link in (plant.connections * 2)]
    assert "2 of 2 connections have trouble." in await page(client, "/wire")
    plant.connections = [LinkHealth(address="modbus x:502", starters=("X",), is_open=False)]
    assert "has trouble: no reading yet." in await page(client, "/wire")
    plant.connections = []
    assert "No connection in the site file." in await page(client, "/wire")


async def test_empty_states_say_what_to_do_next(clock: HandClock) -> None:
    bare = motor_of(starter_of("NEW-1", "", 45, 81, LoadKind.FAN), (), 10.0, state=MotorState.UNKNOWN)
    bare.live = replace(
        bare.live, at=None, state_since=None, last_good_at=None, quality=Quality.BAD, reason="not yet read", heat=None, values={}, flaws={}
    )
    plant = FakePlant({"NEW-1": bare}, clock=clock)
    app = create_app(plant, clock=clock)
    async with httpx.AsyncClient(transport=httpx.ASGITransport(app=app), base_url="http://gateway") as client:
        assert "No data yet from the motor." in await page(client, "/")
        html = await page(client, "/motors/NEW-1")
        assert "Start the motor once from its usual place" in html
        assert "No start is in the ledger yet." in html
        assert "None recorded yet." in html
        plant.motors.clear()
        html = await page(client, "/")
        assert "No motor in the site file." in html
        assert "startledger check SITE" in html


HOSTILE = "<script>alert(1)</script>\"'><img src=x onerror=alert(1)>"


async def test_hostile_names_stay_text(client: httpx.AsyncClient, plant: FakePlant) -> None:
    dust = plant.motors["DC-01"]
    dust.starter = replace(dust.starter, title=HOSTILE)
    dust.live = replace(
        dust.live, values={HOSTILE: HOSTILE, "current": 1.0}, flaws={"current": HOSTILE}, reason=HOSTILE, quality=Quality.UNCERTAIN
    )
    plant.motors["DC-01"].starts[0] = replace(dust.starts[0], remark=HOSTILE)
    plant.standing.append(alert_of("DC-01", AlertKind.TRIPPED, 1, HOSTILE, HOSTILE, 1, acknowledged_by=HOSTILE, acknowledged_at=NOW))
    plant.connections.append(LinkHealth(address=HOSTILE, starters=(HOSTILE,), is_open=True, fault=HOSTILE, faults={HOSTILE: 1}))
    plant.site_name = HOSTILE
    for path in ("/", "/motors/DC-01", "/alerts", "/wire", "/handbook", f"/?find={HOSTILE}", "/handbook?find=<script>", "/nothing"):
        html = (await client.get(path)).text
        assert "<script>alert" not in html, path
        assert "<img src=x" not in html, path
        assert not re.findall(r'<script(?! src="/static/[a-z]+\.js\?v=[0-9a-f]+" defer></script>)', html), path
        assert not re.search(r"\son\w+=", re.sub(r"&[^;]+;[^<]*", "", html)), path
        assert "style=" not in html, path


async def test_a_name_with_every_odd_character_has_its_page(clock: HandClock) -> None:
    name = "P 1+2?#%&<é>"
    motor = motor_of(starter_of(name, "pump", 45, 81, LoadKind.PUMP), (10,), 8.0)
    app = create_app(FakePlant({name: motor}, clock=clock), clock=clock)
    async with httpx.AsyncClient(transport=httpx.ASGITransport(app=app), base_url="http://gateway") as client:
        link = re.search(r'href="(/motors/[^"]+)" data-motor', await page(client, "/"))
        assert link is not None
        html = await page(client, link.group(1))
        assert "P 1+2?#%&amp;&lt;é&gt;" in html
        csv = await client.get(f"{link.group(1)}/starts.csv")
        assert csv.status_code == 200
        assert "filename*=UTF-8''P%201%2B2" in csv.headers["content-disposition"]


async def test_errors_say_what_happened_and_what_to_do(
    client: httpx.AsyncClient, plant: FakePlant, monkeypatch: pytest.MonkeyPatch
) -> None:
    gone = await client.get("/motors/XX-99")
    assert gone.status_code == 404
    assert "The site file has no motor of that name." in gone.text
    assert "DC-01" in gone.text
    assert (await client.post("/")).status_code == 405
    wrong = await client.get("/motors/DC-01?before=abc")
    assert wrong.status_code == 422
    assert "before" in wrong.text

    def no_disk(*_: object, **__: object) -> list[object]:
        raise StoreError("disk I/O error at /var/lib/secret.db")

    monkeypatch.setattr(plant, "starts", no_disk)
    down = await client.get("/motors/DC-01")
    assert down.status_code == 503
    assert "The store cannot be read" in down.text
    assert "secret" not in down.text


async def test_a_mistake_of_the_gateway_shows_an_id_and_nothing_else(
    client: httpx.AsyncClient, plant: FakePlant, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def broken(*_: object, **__: object) -> list[object]:
        raise RuntimeError("secret words")

    monkeypatch.setattr(plant, "starts", broken)
    answer = await client.get("/motors/DC-01")
    assert answer.status_code == 500
    assert "secret words" not in answer.text
    assert "Traceback" not in answer.text
    assert answer.headers["content-security-policy"].startswith("default-src 'self'")
    shown = re.search(r"id ([0-9a-f]{8})", answer.text)
    assert shown is not None
    assert shown.group(1) in caplog.text
    api = await client.get("/api/motors/DC-01/starts")
    assert api.status_code == 500
    assert set(api.json()) == {"status", "happened", "advice", "id"}


async def test_csv(client: httpx.AsyncClient, plant: FakePlant) -> None:
    motor = plant.motors["DC-01"]
    motor.starts[0] = replace(motor.starts[0], remark="=cmd|' /C calc'!A0", heat_before=-0.01)
    motor.live = replace(motor.live, last_start=motor.starts[0])
    answer = await client.get("/motors/DC-01/starts.csv")
    lines = answer.text.split("\r\n")
    assert lines[0].startswith("motor,number,began_at_utc")
    assert len(lines) == 126 + 2
    assert "'=cmd|' /C calc'!A0" in lines[1]
    assert ",-1.0," in lines[1]
    assert "2026-03-12T14:07:01.000+00:00" in lines[1]


async def test_many_alerts_make_lower_rows(client: httpx.AsyncClient, plant: FakePlant, app: FastAPI) -> None:
    for name in ("SC-01", "CV-01"):
        plant.standing.append(alert_of(name, AlertKind.TRIPPED, 2, "Thermal capacity 88 %", "Wait", 3))
    assert 'class="motors tight"' in await page(client, "/")
    assert app.state.desk.hub.clients == 0
