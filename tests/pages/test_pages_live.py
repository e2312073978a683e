"""Pages in a real browser: right figures, live in their places, quiet when nothing changes, honest when the stream is lost."""

from __future__ import annotations

import asyncio
import csv
from dataclasses import replace
from pathlib import Path

import pytest
from playwright.async_api import Browser, expect

from gateway.instants import SECOND
from gateway.motors.alerts import AlertKind
from gateway.motors.records import MotorState, Outcome
from gateway.store.readers import StoredEvent
from gateway.web.application import create_app
from gateway.web.serving import serve
from tests.pages.conftest import Visit
from tests.pages.shoot import PAGES, shoot
from tests.web.tarn_hollow import ShiftedClock, alert_of, seen_start, tarn_hollow

pytestmark = [pytest.mark.pages, pytest.mark.asyncio(loop_scope="module")]
DUST = '[data-motor="DC-01"]'
WATER = '[data-motor="RW-01"]'


async def test_an_unknown_motor_gets_a_page(visit: Visit) -> None:
    visit.forgiven = ("404",)
    await visit.go("/motors/XX-99")
    assert await visit.text("h1") == "The site file has no motor of that name."


async def test_twelve_motors_fit_a_panel_without_scrolling(visit: Visit) -> None:
    await visit.go("/")
    assert await visit.page.evaluate("document.documentElement.scrollHeight") <= 600
    assert await visit.page.locator("#rows a.row").count() == 12
    box = await visit.page.locator(".caution").bounding_box()
    assert box is not None
    assert box["y"] + box["height"] <= 600
    assert box["x"] + box["width"] <= 1024


async def test_twelve_motors_with_eight_alerts_still_fit(visit: Visit) -> None:
    for name in ("SC-01", "CV-01", "CV-03", "FN-02"):
        visit.plant.standing.append(alert_of(name, AlertKind.HEAT, 2, "Thermal capacity 88 %, warns at 85 %", "Wait", 3))
    await visit.go("/")
    assert await visit.page.locator("#rows a.row.a").count() == 8
    assert await visit.page.evaluate("document.documentElement.scrollHeight") <= 600


async def test_figures_of_the_motors_page(visit: Visit) -> None:
    await visit.go("/")
    assert await visit.text("h1") == "2 motors need action, 2 need a look."
    assert await visit.text(f"{DUST} [data-live=main]") == "14:37"
    assert await visit.text(f"{DUST} [data-live=why]") == "starter rating decides"
    assert await visit.text(f"{WATER} [data-live=note]") == "0.80"
    assert await visit.text('[data-motor="BP-01"] [data-live=state]') == "no data"


async def test_values_change_in_place_without_a_jump(visit: Visit) -> None:
    await visit.go("/")
    place = "[r.dataset.motor, r.getBoundingClientRect().top, r.querySelector('.when').getBoundingClientRect().left]"
    places = f"[...document.querySelectorAll('#rows a.row')].map(r => {place})"
    before = await visit.page.evaluate(places)
    motor = visit.plant.motors["RW-01"]
    motor.live = replace(motor.live, current_ratio=1.07, current_a=143.4)
    await visit.until_text(f"{WATER} [data-live=note]", "1.07")
    motor.live = replace(motor.live, current_ratio=0.09)
    await visit.until_text(f"{WATER} [data-live=note]", "0.09")
    assert await visit.page.evaluate(places) == before


async def test_a_new_start_draws_itself(visit: Visit) -> None:
    await visit.go("/")
    motor = visit.plant.motors["RW-01"]
    number = motor.starts[0].number + 1
    motor.starts.insert(0, seen_start(motor.starter, number, visit.clock.now() - 11 * SECOND, 9.3))
    motor.live = replace(motor.live, last_start=motor.starts[0], total_starts=number)
    await visit.page.locator(f'{WATER} svg[aria-label*="the latest took 9.3 s"]').wait_for(timeout=10000)


async def test_a_new_alert_moves_its_motor_up_and_renews_the_sentence(visit: Visit) -> None:
    await visit.go("/")
    visit.plant.standing.append(alert_of("TH-01", AlertKind.TRIPPED, 1, "Tripped: code 7, overload", "Look at the rake", 0))
    await visit.until_text("h1", "3 motors need action, 2 need a look.")
    await visit.page.locator('#rows a.row.p1[data-motor="TH-01"]').wait_for()
    assert "Alerts 6" in await visit.text("nav")


async def test_rows_do_not_jump_under_a_finger(visit: Visit) -> None:
    await visit.go("/")
    order = "[...document.querySelectorAll('#rows a.row')].map(r => r.dataset.motor)"
    before = await visit.page.evaluate(order)
    await visit.page.locator(WATER).focus()
    await visit.page.keyboard.press("Shift+Tab")
    await visit.page.keyboard.press("Tab")
    async with visit.page.expect_response(visit.address + "/"):
        visit.plant.standing.append(alert_of("TH-01", AlertKind.TRIPPED, 1, "Tripped: code 7, overload", "Look at the rake", 0))
    motor = visit.plant.motors["RW-01"]
    motor.live = replace(motor.live, current_ratio=1.11)
    await visit.until_text(f"{WATER} [data-live=note]", "1.11")
    assert await visit.page.evaluate(order) == before
    await visit.page.evaluate("document.activeElement.blur()")
    await visit.page.locator('#rows a.row.p1[data-motor="TH-01"]').wait_for(timeout=15000)


async def test_motor_page_is_live(visit: Visit) -> None:
    await visit.go("/motors/RW-01")
    motor = visit.plant.motors["RW-01"]
    motor.live = replace(
        motor.live, current_ratio=0.93, values={**motor.live.values, "voltage": 388.8}, flaws={"power": "implausible: 812 kW"}
    )
    await visit.until_text("[data-live=line]", "0.93 × FLC")
    await visit.until_text('[data-value="voltage"]', "388.8")
    await visit.until_text('[data-flaw="power"]', "implausible: 812 kW")
    motor.history = replace(motor.history, state=MotorState.STOPPED, off_since=visit.clock.now())
    motor.live = replace(motor.live, state=MotorState.STOPPED, state_since=visit.clock.now())
    await visit.until_text("h1", "May be started now, 2 left.")


async def test_the_lost_stream_is_said_within_five_seconds_and_forgotten_when_it_is_back(browser: Browser) -> None:
    clock = ShiftedClock()
    plant = tarn_hollow(clock)
    app_stop = asyncio.Event()
    ready: asyncio.Future[str] = asyncio.get_running_loop().create_future()
    first = asyncio.create_task(serve(create_app(plant, clock=clock), "127.0.0.1", 0, app_stop, on_ready=ready.set_result))
    address = await ready
    page = await browser.new_page()
    await page.goto(address)
    await page.locator("#ages", has_text="data at most").wait_for()
    app_stop.set()
    await first
    await page.locator("#lost", has_text="No live data since 14:1").wait_for(timeout=5000)
    again = asyncio.Event()
    second = asyncio.create_task(serve(create_app(plant, clock=clock), "127.0.0.1", int(address.rsplit(":", 1)[1]), again))
    await page.locator("body.lost").wait_for(state="detached", timeout=20000)
    assert await page.locator("#lost").inner_text() == ""
    await page.close()
    again.set()
    await second


async def test_acknowledging_asks_for_a_name_and_remembers_it(visit: Visit) -> None:
    await visit.go("/alerts")
    await visit.page.get_by_role("button", name="Acknowledge").first.click()
    assert visit.plant.standing[0].acknowledged_at is None
    await visit.page.get_by_label("your name").fill("A. Fitter")
    await visit.page.get_by_role("button", name="Acknowledge").first.click()
    await visit.until_text("h1", "5 alerts: 2 wait to be acknowledged.")
    assert visit.plant.standing[0].acknowledged_by == "A. Fitter"
    assert await visit.page.get_by_label("your name").input_value() == "A. Fitter"


async def test_alert_acknowledged_elsewhere_shows_here(visit: Visit) -> None:
    await visit.go("/alerts")
    visit.plant.acknowledge(visit.plant.standing[0].id, "someone else")
    await visit.until_text("h1", "5 alerts: 2 wait to be acknowledged.")
    await visit.until_text("#alert-list", "by someone else")


async def test_the_ledger_downloads(visit: Visit, tmp_path: Path) -> None:
    await visit.go("/motors/DC-01")
    async with visit.page.expect_download() as waiting:
        await visit.page.get_by_role("link", name="Download CSV").click()
    got = await waiting.value
    file = tmp_path / "starts.csv"
    await got.save_as(file)
    rows = list(csv.DictReader(file.read_text(encoding="utf-8").splitlines()))
    assert got.suggested_filename == "DC-01-starts.csv"
    assert (len(rows), rows[0]["duration_s"], rows[0]["outcome"]) == (126, "19.6", "at_speed")


async def test_older_starts_are_one_touch_away(visit: Visit) -> None:
    await visit.go("/motors/DC-01")
    await visit.page.get_by_role("link", name="Older").click()
    await visit.until_text("#ledger h2", "before number 107")
    await visit.page.get_by_role("link", name="Newest").click()
    await visit.until_text("#ledger", "today 14:07:01")


HOSTILE = '"><script>window.owned=1</script><img src=x onerror="window.owned=1">'


async def test_hostile_names_never_run(visit: Visit) -> None:
    dust = visit.plant.motors["DC-01"]
    dust.starter = replace(dust.starter, title=HOSTILE)
    visit.plant.site_name = HOSTILE
    visit.plant.standing.append(alert_of("DC-01", AlertKind.TRIPPED, 1, HOSTILE, HOSTILE, 1))
    dust.live = replace(dust.live, values={HOSTILE: HOSTILE}, flaws={"current": HOSTILE}, reason=HOSTILE)
    for path in ("/", "/motors/DC-01", "/alerts", "/wire", "/handbook"):
        await visit.go(path)
        dust.live = replace(dust.live, values={HOSTILE: f"{HOSTILE}{path}"})
        assert await visit.page.evaluate("window.owned") is None
    await visit.go("/motors/DC-01")
    dust.live = replace(dust.live, values={HOSTILE: HOSTILE + "later"})
    await visit.until_text(".vals", "later")
    assert await visit.page.evaluate("window.owned") is None


async def test_many_motors_filter_as_you_type(visit: Visit) -> None:
    extra = visit.plant.motors["RW-01"]
    for number in range(20):
        name = f"ZZ-{number:02d}"
        starter = replace(extra.starter, name=name, title="spare pump")
        visit.plant.motors[name] = replace(extra, starter=starter, live=replace(extra.live, starter=name))
    await visit.go("/")
    await visit.page.get_by_label("find").fill("zz-1")
    await expect(visit.page.locator("#rows li:visible")).to_have_count(10)


async def test_keyboard_reaches_every_row_and_shows_where_it_is(visit: Visit) -> None:
    await visit.go("/")
    reached = []
    for _ in range(26):
        await visit.page.keyboard.press("Tab")
        reached.append(await visit.page.evaluate("document.activeElement.dataset.motor || document.activeElement.textContent.trim()"))
        outline = await visit.page.evaluate("getComputedStyle(document.activeElement).outlineWidth")
        assert outline == "3px"
        if reached[-1] == "TH-01":
            break
    assert reached[0] == "Skip to the content"
    assert reached[-12:] == ["CM-01", "DC-01", "RW-02", "BP-01", "CV-02", "RW-01", "SC-01", "CV-01", "CV-03", "FN-02", "SW-01", "TH-01"]


async def test_pages_are_whole_without_script(browser: Browser, visit: Visit) -> None:
    context = await browser.new_context(java_script_enabled=False)
    page = await context.new_page()
    await page.goto(visit.address)
    assert await page.locator("#rows a.row").count() == 12
    assert await page.locator(f"{DUST} svg.strip").count() == 1
    await context.close()


async def test_pictures_of_every_page(browser: Browser, visit: Visit, pictures: Path) -> None:
    taken = await shoot(browser, visit.address, pictures, screens=("panel", "phone"))
    assert all(file.stat().st_size > 5000 for file in taken)
    assert len(taken) == len(PAGES) * 4


async def test_nothing_on_the_wall_is_small_and_it_fits_a_panel(visit: Visit) -> None:
    await visit.go("/wall")
    assert await visit.page.evaluate("document.documentElement.scrollHeight") <= 600
    own = "[...e.childNodes].some(n => n.nodeType === 3 && n.textContent.trim())"
    script = f"[...document.querySelectorAll('main *')].filter(e => {own}).map(e => parseFloat(getComputedStyle(e).fontSize))"
    sizes = await visit.page.evaluate(script)
    assert min(size for size in sizes if size) >= 60
    visit.plant.standing.clear()
    await visit.until_text("h1", "All 12 as usual")


async def test_the_ledger_is_asked_by_outcome_and_compared(visit: Visit) -> None:
    motor = visit.plant.motors["DC-01"]
    motor.starts[3] = replace(motor.starts[3], outcome=Outcome.TRIPPED)
    await visit.go("/motors/DC-01")
    await visit.page.get_by_label("outcome").select_option(label="stalled or tripped")
    await visit.page.get_by_role("button", name="Show these").click()
    await expect(visit.page.locator("#ledger-table tbody tr")).to_have_count(1)
    await visit.page.get_by_role("link", name="All starts").click()
    await expect(visit.page.locator("#ledger-table tbody tr")).to_have_count(20)
    await visit.page.get_by_role("link", name="compare start 125").click()
    await visit.until_text("h1", "DC-01 no. 125")


async def test_a_note_is_added_and_remembers_who(visit: Visit) -> None:
    await visit.go("/motors/DC-01")
    await visit.page.get_by_label("what was done").fill("<img src=x onerror=alert(1)> belt changed")
    await visit.page.get_by_label("your name").fill("A. Fitter")
    await visit.page.get_by_role("button", name="Add note").click()
    await visit.until_text("#notes-list", "<img src=x onerror=alert(1)> belt changed")
    assert await visit.page.get_by_label("your name").input_value() == "A. Fitter"
    assert visit.plant.written["DC-01"][0].by == "A. Fitter"


async def test_a_curve_is_read_with_its_unit_and_zoomed_by_dragging(visit: Visit, tmp_path: Path) -> None:
    await visit.go("/signals?motor=DC-01&signal=current&signal=voltage")
    box = await visit.page.locator("svg.trend").first.bounding_box()
    assert box is not None
    middle, y = box["x"] + box["width"] / 2, box["y"] + 60
    await visit.page.mouse.move(middle, y)
    read = await visit.text("#readout")
    assert "current 144 A, voltage 144 V" in read
    assert "02:12" in read
    await visit.page.mouse.down()
    await visit.page.mouse.move(middle + 100, y, steps=4)
    await visit.page.mouse.up()
    await visit.page.wait_for_url("**/signals?*from=*")
    await visit.until_text("h1", "in 2 h")
    async with visit.page.expect_download() as waiting:
        await visit.page.get_by_role("link", name="SVG").click()
    picture = tmp_path / "signals.svg"
    await (await waiting.value).save_as(picture)
    assert picture.read_text(encoding="utf-8").startswith("<svg")
    async with visit.page.expect_download() as waiting:
        await visit.page.get_by_role("button", name="PNG").click()
    drawn = tmp_path / "signals.png"
    await (await waiting.value).save_as(drawn)
    assert drawn.read_bytes().startswith(b"\x89PNG")


async def test_hostile_words_never_run_on_any_page(visit: Visit) -> None:
    hostile = "<script>alert(1)</script><img src=x onerror=alert(1)>\"'"
    dust = visit.plant.motors["DC-01"]
    dust.starter = replace(dust.starter, title=hostile)
    dust.live = replace(dust.live, values={hostile: 1.0, **dust.live.values}, flaws={"current": hostile})
    dust.starts[0] = replace(dust.starts[0], remark=hostile)
    visit.plant.happened["DC-01"] = [
        StoredEvent(at=dust.starts[0].ended_at, kind="gap_ended", body={"began_at": dust.starts[1].began_at, "reason": hostile})
    ]
    visit.plant.standing.append(alert_of("DC-01", AlertKind.TRIPPED, 1, hostile, hostile, 1))
    visit.plant.site_name = hostile
    for name, path in PAGES.items():
        if name != "error":
            await visit.go(path)
            assert await visit.page.locator("img[src=x]").count() == 0, name
            assert await visit.page.locator("script:not([src])").count() == 0, name
