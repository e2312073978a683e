"""What a page says while the gateway is slow, when a file fails, and when something new calls for somebody."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from dataclasses import replace

import pytest
from playwright.async_api import expect

from gateway.errors import StoreError
from gateway.instants import Instant
from gateway.motors.alerts import AlertKind
from gateway.web.plant_time import PlantTime
from gateway.web.reports import issue
from gateway.web.reports.content import Report
from gateway.web.reports.work import GivenUpError, Progress, unwatched
from tests.pages.conftest import Visit
from tests.web.tarn_hollow import Trace, alert_of

pytestmark = [pytest.mark.pages, pytest.mark.asyncio(loop_scope="module")]
LONGEST_WAIT_S = 20.0
WATCH_AND_STOP = """() => new Promise((told) => {
  const busy = document.getElementById("busy"), began = performance.now();
  document.querySelector("form.ask button").click();
  setTimeout(() => told(["nothing was said", 0]), 8000);
  const looking = setInterval(() => {
    if (busy.hidden) return;
    clearInterval(looking);
    const said = busy.innerText;
    document.getElementById("busy-stop").click();
    told([said, (performance.now() - began) / 1000]);
  }, 25);
})"""


class Gate:
    """Holds up a thread of the gateway until the test lets it go; at the end of a test always."""

    def __init__(self) -> None:
        self.entered, self._open = threading.Event(), threading.Event()

    def wait(self) -> None:
        self.entered.set()
        self._open.wait(LONGEST_WAIT_S)

    def open(self) -> None:
        self._open.set()


@pytest.fixture
def gate() -> Iterator[Gate]:
    made = Gate()
    yield made
    made.open()


async def test_a_slow_answer_is_said_can_be_stopped_and_costs_nothing_typed(
    visit: Visit, gate: Gate, monkeypatch: pytest.MonkeyPatch
) -> None:
    await visit.go("/signals?motor=DC-01")
    quick = visit.plant.samples

    def slow(name: str, key: str, from_at: Instant, to_at: Instant, *, points: int | None = None) -> Trace:
        gate.wait()
        return quick(name, key, from_at, to_at, points=points)

    monkeypatch.setattr(visit.plant, "samples", slow)
    await visit.page.get_by_label("until, empty is now").fill("2026-03-12T10:00")
    # From without, a browser answers no question while another page is on its way: the page watches itself.
    said, after_s = await visit.page.evaluate(WATCH_AND_STOP)
    assert "Working. This page stays until the answer is there." in said
    assert "Cancel" in said
    assert after_s > 0
    assert gate.entered.is_set()
    await expect(visit.page.locator("#busy")).to_be_hidden()
    assert await visit.page.get_by_label("until, empty is now").input_value() == "2026-03-12T10:00"
    assert "end=" not in visit.page.url
    gate.open()
    await visit.page.get_by_role("button", name="Draw").click()
    await visit.page.wait_for_url("**/signals?*end=2026*")
    await expect(visit.page.locator("#busy")).to_be_hidden()


async def test_a_report_shows_how_far_it_is_and_its_cancelling_frees_the_gateway(
    visit: Visit, gate: Gate, monkeypatch: pytest.MonkeyPatch
) -> None:
    given_up = threading.Event()

    def slow(report: Report, time: PlantTime, progress: Progress = unwatched) -> bytes:
        progress(0.42)
        gate.wait()
        try:
            # The gateway looks every quarter of a second whether its reader is still there.
            for _ in range(round(LONGEST_WAIT_S / 0.05)):
                progress(0.43)
                threading.Event().wait(0.05)
        except GivenUpError:
            given_up.set()
            raise
        return b"never"

    monkeypatch.setitem(issue.FORMS, "pdf", slow)  # type-checked as a Mapping, a dict in truth
    await visit.go("/reports")
    await visit.page.get_by_label("first day").fill("2026-03-02")
    await visit.page.get_by_role("button", name="PDF").click()
    await visit.until_text("#busy-time", "48 %")
    assert await visit.text("#busy-words") == "Making the PDF file."
    await visit.page.get_by_role("button", name="Cancel").click()
    await visit.until_text("#taken", "Cancelled; nothing was written.")
    assert await visit.page.get_by_label("first day").input_value() == "2026-03-02"
    gate.open()
    for _ in range(100):
        if given_up.is_set():
            break
        await visit.page.wait_for_timeout(50)
    assert given_up.is_set()


async def test_a_report_that_fails_says_why_beside_what_was_chosen_and_one_that_does_not_is_downloaded(
    visit: Visit, monkeypatch: pytest.MonkeyPatch
) -> None:
    visit.forgiven = ("503", "500")
    written = issue.FORMS["csv"]

    def failing(report: Report, time: PlantTime, progress: Progress = unwatched) -> bytes:
        raise StoreError("The store cannot be read: disk full")

    await visit.go("/reports")
    await visit.page.get_by_label("motor").select_option("RW-01")
    monkeypatch.setitem(issue.FORMS, "csv", failing)
    await visit.page.get_by_role("button", name="CSV").click()
    await visit.until_text("#taken", "The store cannot be read")
    assert await visit.page.get_by_label("motor").input_value() == "RW-01"
    assert visit.page.url.endswith("/reports")
    monkeypatch.setitem(issue.FORMS, "csv", written)
    async with visit.page.expect_download() as waiting:
        await visit.page.get_by_role("button", name="CSV").click()
    assert (await waiting.value).suggested_filename.startswith("report-RW-01-20260306-20260312-")
    await visit.until_text("#taken", "The CSV file is in your downloads.")


async def test_a_new_alert_is_read_out_once_and_only_the_highest_at_once(visit: Visit) -> None:
    await visit.go("/")
    await visit.until_text("#ages", "data at most")
    motor = visit.plant.motors["RW-01"]
    motor.live = replace(motor.live, current_ratio=1.23)
    await visit.until_text('[data-motor="RW-01"] [data-live=note]', "1.23")  # the first event is there: what stood then is not new
    await visit.until_text("#ages", "data at most") if await visit.page.locator("#ages").count() else None
    visit.plant.standing.append(alert_of("CV-01", AlertKind.HEAT, 2, "Thermal capacity 88 %", "Wait", -0.1))
    news, urgent = visit.page.locator("#news"), visit.page.locator("#urgent")
    await expect(news).to_have_text("New alert, CV-01: Thermal capacity 88 %.")
    await expect(urgent).to_have_text("")
    visit.plant.standing.append(alert_of("TH-01", AlertKind.TRIPPED, 1, "Tripped: code 7", "Look", -0.2))
    visit.plant.standing.append(alert_of("SC-01", AlertKind.NO_DATA, 2, "No data", "Look", -0.2))
    await expect(urgent).to_have_text("New alert, TH-01: Tripped: code 7, and 1 more.")
    await expect(news).to_contain_text("CV-01")


async def test_a_flood_leaves_few_rows_that_stay_open_while_the_list_is_renewed(visit: Visit) -> None:
    names = list(visit.plant.motors)
    storm = [alert_of(names[place % 12], AlertKind.NO_DATA, 2, f"No data {place}", "the switch", place / 10) for place in range(100)]
    kinds = list(AlertKind)
    visit.plant.standing += [replace(alert, kind=kinds[place % len(kinds)]) for place, alert in enumerate(storm)]
    await visit.go("/alerts")
    rows = visit.page.locator("#alert-list > li")
    assert await rows.count() <= 10
    assert await visit.page.locator("#alert-list .do button").count() >= 100
    plate = visit.page.locator(".flood .plate > span").first
    assert await plate.inner_text() == "101 ×"
    assert await plate.evaluate("(each) => each.scrollWidth <= each.clientWidth")
    flood = visit.page.locator(".flood details").first
    await flood.locator("summary").click()
    inside = await flood.locator("li").count()
    assert inside > 1
    assert await flood.get_by_role("button", name="Acknowledge").count() == inside
    visit.plant.acknowledge("CM-01:stalled:" + str(visit.plant.standing[0].raised_at), "x")
    await visit.until_text("h1", "102 wait")
    assert await visit.page.locator(".flood details").first.get_attribute("open") is not None
    await visit.page.set_viewport_size({"width": 390, "height": 844})
    assert await visit.page.evaluate("document.documentElement.scrollWidth") <= 390
