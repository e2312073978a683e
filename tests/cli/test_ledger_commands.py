"""`startledger budget`, `ledger` and `note` as a user runs them, over a store made by the core; also beside a core that holds it."""

from __future__ import annotations

import asyncio
import csv
import io
import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from gateway.app import Core, opened_core
from gateway.cli.note import gateway_address
from gateway.clock import HandClock
from gateway.instants import HOUR, MINUTE, SECOND, from_iso, to_iso
from gateway.motors.reading import Reading
from gateway.site import Site, load_site
from gateway.web.application import create_app
from gateway.web.serving import serve
from tests.bench.live import Ran, run_command, startledger
from tests.cli.test_program import DEMO_SITE

FLC_A = 80.2
DAY = from_iso("2026-03-10T08:00:00Z")
BEGINS_MIN = (5.0, 20.0, 50.0)
LAST = DAY + 56 * MINUTE
"""Last reading: the motor was stopped a minute before."""


def readings() -> list[Reading]:
    """Three starts of 4 s at 5 x FLC, each with 5 min of running after it; the second is cut off after 2 s."""
    found, at = [], DAY
    while at <= LAST:
        since_s = min((s for minute in BEGINS_MIN if (s := (at - DAY) / SECOND - minute * 60) >= 0), default=1e9)
        cut = 1200.0 <= (at - DAY) / SECOND < 3000.0
        ratio = 5.0 if since_s < (2 if cut else 4) else 0.8 if since_s < 300 and not cut else 0.0
        found.append(Reading(at, {"current": ratio * FLC_A, "running": ratio > 0, "command": ratio > 0}))
        near = any(-10 <= (at - DAY) / SECOND - minute * 60 < 10 for minute in BEGINS_MIN)
        at += SECOND // 10 if near else 5 * SECOND
    return found


def site_in(folder: Path) -> Path:
    maps = DEMO_SITE.parent.parent / "maps"
    text = DEMO_SITE.read_text(encoding="utf-8").replace("../maps/", f"{maps}/").replace("port: 8460", "port: 1")
    path = folder / "site.yaml"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def site_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = site_in(tmp_path_factory.mktemp("site"))
    with opened_core(load_site(path), HandClock(DAY)) as core:
        core.pipeline.take_readings("DC-01", readings())
    return path


@pytest.fixture
def held(tmp_path: Path) -> Iterator[tuple[Path, Core]]:
    """A site whose store a running core holds."""
    path = site_in(tmp_path)
    with opened_core(load_site(path), HandClock(LAST)) as core:
        core.pipeline.take_readings("DC-01", readings())
        core.writer.flush()
        yield path, core


def budget(site: Path, at: int, *more: str) -> Ran:
    return run_command("budget", site, "--starter", "DC-01", "--at", to_iso(at), *more)


# budget


def test_the_budget_says_when_and_why(site_file: Path) -> None:
    ran = budget(site_file, LAST + 2 * SECOND, "--json")
    result = json.loads(ran.out)
    assert ran.status == 1, "no start is permitted now"
    assert (result["starter"], result["state"], result["starts_last_hour"]) == ("DC-01", "stopped", 3)
    said = result["budget"]
    assert {"as_of", "starts_left", "next_start_at", "deciding_limit", "limits", "outlook"} <= set(said)
    # The last start ended at 8:50:04 and was rated for 1781 s of rest; the oldest one counts until 9:05 only.
    assert said["deciding_limit"] == "starter_rating"
    assert said["outlook"]["runner_up"] == "site_starts_per_hour"
    assert "2026-03-10T09:19" <= said["next_start_at"] < "2026-03-10T09:25"
    assert said["outlook"]["decides_by_s"] == pytest.approx(
        (from_iso(said["next_start_at"]) - from_iso("2026-03-10T09:05:00Z")) / SECOND, abs=1.0
    )
    made = said["outlook"]["if_started_now"]
    assert set(made["broken_limits"]) >= {"starter_rating", "site_starts_per_hour"}
    assert made["thermal_after"] > made["thermal_before"]
    heat = [point["thermal_used"] for point in said["outlook"]["heat"]]
    assert heat == sorted(heat, reverse=True)
    assert said["outlook"]["sustained"]["run_s"] == pytest.approx(296.0, abs=6.0)
    for limit in said["limits"]:
        assert limit["source"] and limit["reason"]


def test_in_words_it_explains_itself(site_file: Path) -> None:
    ran = budget(site_file, LAST + 2 * SECOND)
    assert ran.status == 1
    assert ran.out.startswith("DC-01 dust-collector fan: stopped, 3 starts in the 60 min before")
    for words in ("next permitted start 2026-03-10 09:", "starter_rating decides", "decided by: starter_rating, 1",
                  "later than site_starts_per_hour", "heat if it stands from now on", "if it were started now all the same",
                  "breaks starter_rating", "starts an hour for ever", "IEC 60947-4-2", "site rule SR-4"):  # fmt: skip
        assert words in ran.out, words
    assert ran.out.rstrip().endswith("The budget is advice. It replaces no protection.")


def test_a_second_without_readings_more_than_the_gap_time_tells_nothing(site_file: Path) -> None:
    ran = budget(site_file, LAST + HOUR, "--json")
    said = json.loads(ran.out)["budget"]
    assert (ran.status, said["next_start_at"], said["quality"], said["outlook"]) == (1, None, "bad", None)
    text = budget(site_file, LAST + HOUR)
    assert "cannot be told" in text.out and "quality: bad" in text.out


def test_now_is_the_default(site_file: Path) -> None:
    said = json.loads(run_command("budget", site_file, "--starter", "DC-01", "--json").out)["budget"]
    assert said["quality"] == "bad", "the last reading lies in another year"


def test_a_permitted_start_has_status_0(tmp_path: Path) -> None:
    path = site_in(tmp_path)
    with opened_core(load_site(path), HandClock(DAY)) as core:
        # A cold winding makes known that the motor is cold.
        still = [Reading(DAY + s * SECOND, {"current": 0.0, "running": False, "winding_temperature": 20.0}) for s in range(0, 400, 5)]
        core.pipeline.take_readings("DC-01", still)
    ran = budget(path, DAY + 396 * SECOND)
    assert ran.status == 0, ran.out
    assert "breaks no limit" in ran.out and "fewer than" in ran.out


@pytest.mark.parametrize(
    ("words", "found"),
    [
        (("--starter", "DC-9"), "DC-01"),
        (("--starter", "DC-01", "--at", "noon"), "ISO 8601"),
        (("--starter", "DC-01", "--at", "2026-03-10T08:30:00Z"), "before the last stored reading"),
        (("--starter", "DC-01", "--store", "sqlite:///nowhere.db"), "is not there yet"),
    ],
)
def test_what_budget_refuses(site_file: Path, words: tuple[str, ...], found: str) -> None:
    ran = run_command("budget", site_file, *words)
    assert ran.status == 2
    assert found in ran.err


def test_beside_a_running_core_it_reads_what_is_stored(held: tuple[Path, Core]) -> None:
    path, core = held
    before = core.plant.starts("DC-01")
    ran = budget(path, LAST + SECOND, "--json")
    assert json.loads(ran.out)["budget"]["as_of"] == to_iso(LAST + SECOND)
    assert core.plant.starts("DC-01") == before
    other = budget(path, LAST + SECOND, "--json", "--store", f"sqlite:///{path.parent / 'tarn-hollow.db'}")
    assert other.out == ran.out


# ledger

DAYS = ("--from", "2026-03-10", "--to", "2026-03-10T10:00:00Z")


def test_the_ledger_lists_starts_oldest_first(site_file: Path) -> None:
    result = json.loads(run_command("ledger", site_file, *DAYS, "--json").out)
    starts = result["starts"]
    assert [(start["starter"], start["number"], start["outcome"]) for start in starts] == [
        ("DC-01", 1, "at_speed"),
        ("DC-01", 2, "aborted"),
        ("DC-01", 3, "at_speed"),
    ]
    first = starts[0]
    assert first["duration_s"] == pytest.approx(4.0, abs=0.1)
    assert first["rms_current_a"] == pytest.approx(5.0 * FLC_A, rel=0.02)
    assert first["shape"]["form"] == "plateau"
    assert first["command_to_begin_s"] == pytest.approx(0.0, abs=first["command_error_s"])
    assert first["direct_estimate"]["peak_ratio"] == 7.0
    assert starts[1]["direct_estimate"] is None, "it did not reach speed"
    # Rated 84 A: 3.5 x for 19 s, 1781 s apart: 401 A are 4.77 x, and the next ones come 15 and 30 min later.
    assert first["rating_exceeded"] == ["peak 4.774 x Ie, rated 3.5"]
    assert [text.split(" ")[0] for text in starts[1]["rating_exceeded"]] == ["peak", "off_time"]
    assert starts[1]["rating_exceeded"][1].startswith("off_time 89")
    assert (result["from"], result["to"]) == ("2026-03-10T00:00:00.000000Z", "2026-03-10T10:00:00.000000Z")


def test_it_is_filtered(site_file: Path) -> None:
    def numbers(*words: str) -> list[int]:
        return [start["number"] for start in json.loads(run_command("ledger", site_file, *words, "--json").out)["starts"]]

    assert numbers(*DAYS, "--outcome", "aborted") == [2]
    assert numbers(*DAYS, "--outcome", "aborted", "--outcome", "at_speed") == [1, 2, 3]
    assert numbers(*DAYS, "--starter", "RW-01") == []
    assert numbers("--from", "2026-03-10T08:10:00Z", "--to", "2026-03-10T08:30:00Z") == [2]
    assert numbers() == [], "the last seven days are another year"


def test_in_words(site_file: Path) -> None:
    ran = run_command("ledger", site_file, *DAYS)
    assert ran.status == 0
    assert "3 starts: 2 at speed, 1 aborted\n" in ran.out
    assert ran.out.rstrip().endswith("3 starts beyond the starter's rating; --json and --csv say by what")
    assert run_command("ledger", site_file).out.strip() == "0 starts"


def test_as_csv_every_figure_is_a_column(site_file: Path) -> None:
    rows = list(csv.DictReader(io.StringIO(run_command("ledger", site_file, *DAYS, "--csv").out)))
    whole = json.loads(run_command("ledger", site_file, *DAYS, "--json").out)["starts"]
    assert [int(row["number"]) for row in rows] == [1, 2, 3]
    for row, start in zip(rows, whole, strict=True):
        assert float(row["i2t_flc2s"]) == start["i2t_flc2s"]
        assert float(row["equivalent_rating_x"]) == start["equivalent_rating"]["x"]
        assert row["shape_form"] == start["shape"]["form"]
    assert rows[1]["direct_estimate_i2t_flc2s"] == ""
    empty = run_command("ledger", site_file, "--csv")
    assert empty.out == "starter\n"


@pytest.mark.parametrize(
    ("words", "found"),
    [(("--csv", "--json"), "one form at a time"), (("--starter", "XX"), "no such starter"), (("--from", "soon"), "2026-03-12")],
)
def test_what_ledger_refuses(site_file: Path, words: tuple[str, ...], found: str) -> None:
    ran = run_command("ledger", site_file, *words)
    assert ran.status == 2
    assert found in ran.err


# note


def notes_of(path: Path) -> list[tuple[str, str]]:
    with opened_core(load_site(path), HandClock(LAST)) as core:
        return [(note.text, note.by) for note in core.plant.notes("DC-01")]


def test_a_note_goes_straight_into_the_store_while_no_gateway_runs(tmp_path: Path) -> None:
    path = site_in(tmp_path)
    with opened_core(load_site(path), HandClock(DAY)) as core:
        core.pipeline.take_readings("DC-01", readings())
    ran = run_command("note", path, " bearings \n greased ", "--starter", "DC-01", "--by", "A. Fitter")
    assert ran.status == 0, ran.err
    assert "drift is learned anew" in ran.err
    assert notes_of(path) == [("bearings greased", "A. Fitter")]
    with opened_core(load_site(path), HandClock(LAST)) as core:
        assert [each.reason for each in core.plant.drift_breaks("DC-01")] == ["bearings greased"]


def test_a_note_into_another_store(tmp_path: Path) -> None:
    path = site_in(tmp_path)
    ran = run_command("note", path, "belt changed", "--starter", "DC-01", "--store", f"sqlite:///{tmp_path / 'other.db'}")
    assert ran.status == 0, ran.err
    assert (tmp_path / "other.db").is_file() and not (tmp_path / "tarn-hollow.db").exists()


async def test_a_note_goes_to_the_running_gateway(held: tuple[Path, Core]) -> None:
    path, core = held
    stop, ready = asyncio.Event(), asyncio.get_running_loop().create_future()
    app = create_app(core.plant, clock=HandClock(LAST))
    serving = asyncio.create_task(serve(app, "127.0.0.1", 0, stop, on_ready=ready.set_result))
    address = await ready
    try:
        ran = await startledger("note", path, "filter cleaned", "--starter", "DC-01", "--by", "B", "--gateway", address)
        assert ran.status == 0, ran.err
        refused = await startledger("note", path, "x" * 201, "--starter", "DC-01", "--gateway", address)
        assert refused.status == 2 and "characters" in refused.err
    finally:
        stop.set()
        await serving
    core.writer.flush()
    assert [(note.text, note.by) for note in core.plant.notes("DC-01")] == [("filter cleaned", "B")]
    assert [each.reason for each in core.plant.drift_breaks("DC-01")] == ["filter cleaned"]


async def test_a_gateway_that_does_not_take_it_is_told(held: tuple[Path, Core]) -> None:
    path, _ = held

    async def answer(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.readuntil(b"\r\n\r\n")
        writer.write(b"HTTP/1.1 403 Forbidden\r\ncontent-length: 0\r\nconnection: close\r\n\r\n")
        await writer.drain()
        writer.close()

    server = await asyncio.start_server(answer, "127.0.0.1", 0)
    async with server:
        port = server.sockets[0].getsockname()[1]
        ran = await startledger("note", path, "seen", "--starter", "DC-01", "--gateway", f"http://127.0.0.1:{port}")
    assert ran.status == 2
    assert "did not take the note: 403 Forbidden" in ran.err


def test_what_note_refuses(held: tuple[Path, Core]) -> None:
    path, _ = held
    named = run_command("note", path, "seen", "--starter", "DC-01", "--gateway", "http://127.0.0.1:1")
    assert (named.status, "no gateway answers at http://127.0.0.1:1" in named.err) == (2, True)
    taken = run_command("note", path, "seen", "--starter", "DC-01")
    assert (taken.status, "in use by another startledger" in taken.err) == (2, True)
    empty = run_command("note", path, "  ", "--starter", "DC-01")
    assert (empty.status, "1 to 200 characters" in empty.err) == (2, True)
    assert run_command("note", path, "seen", "--starter", "nobody").status == 2


@pytest.mark.parametrize(
    ("host", "address"), [("127.0.0.1", "http://127.0.0.1:1"), ("0.0.0.0", "http://127.0.0.1:1"), ("::1", "http://[::1]:1")]
)
def test_where_the_gateway_is(tmp_path: Path, host: str, address: str) -> None:
    site: Site = load_site(site_in(tmp_path))
    assert gateway_address(replace(site, web=replace(site.web, host=host))) == address
