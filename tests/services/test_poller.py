"""The poller keeps its schedule whatever links, clocks and the program do."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence

import pytest

from gateway.clock import HandClock
from gateway.drivers.base import Link
from gateway.motors.records import Pace
from gateway.services.poller import Polled, Poller
from gateway.site import Paces
from tests.services.links import SILENT, T0, NotingTaker, PlainLink, gaps


@pytest.fixture
def clock() -> HandClock:
    return HandClock(T0)


@pytest.fixture
def taker(clock: HandClock) -> NotingTaker:
    return NotingTaker(clock)


def _poller(taker: NotingTaker, clock: HandClock, *links: tuple[Link, Sequence[str]], paces: Paces | None = None) -> Poller:
    paces = paces or Paces()
    return Poller([(link, [Polled(name, paces) for name in names]) for link, names in links], taker, clock, jitter=lambda: 1.0)


async def test_starters_behind_one_link_take_turns_evenly_spread(clock: HandClock, taker: NotingTaker) -> None:
    link = PlainLink(clock)
    poller = _poller(taker, clock, (link, ["FAN-1", "PUMP-2", "BELT-3"]))
    poller.start()
    await clock.turn(30)
    await poller.stop()
    for name in ("FAN-1", "PUMP-2", "BELT-3"):
        assert 29 <= len(link.times(name)) <= 31
        assert set(gaps(link.times(name)[2:])) == {1.0}
    firsts = sorted(link.times(name)[2] % 1 for name in ("FAN-1", "PUMP-2", "BELT-3"))
    assert min(gaps(firsts)) > 0.1
    assert link.closes >= 1


async def test_the_first_turn_reads_everything_and_then_every_slow_interval(clock: HandClock, taker: NotingTaker) -> None:
    link = PlainLink(clock)
    poller = _poller(taker, clock, (link, ["FAN-1"]), paces=Paces(slow_s=20.0))
    poller.start()
    await clock.turn(65)
    await poller.stop()
    assert [round(at) for at in link.times("FAN-1", Pace.SLOW)] == [0, 20, 40, 60]
    assert len(link.times("FAN-1")) == 66


async def test_the_pace_follows_what_the_watch_sees(clock: HandClock, taker: NotingTaker) -> None:
    link = PlainLink(clock)
    poller = _poller(taker, clock, (link, ["FAN-1"]), paces=Paces(running_s=2.0))
    poller.start()
    await clock.turn(5)
    taker.paces["FAN-1"] = Pace.STARTING
    await clock.turn(5)
    taker.paces["FAN-1"] = Pace.RUNNING
    await clock.turn(10)
    await poller.stop()
    spacing = gaps(link.times("FAN-1"))
    assert spacing.count(0.1) in range(40, 52)
    assert spacing[-3:] == [2.0, 2.0, 2.0]
    assert Pace.STARTING in {pace for _, _, pace in link.polls}


async def test_a_start_is_read_fast_and_its_neighbours_still_every_second(clock: HandClock, taker: NotingTaker) -> None:
    link = PlainLink(clock, takes_s=0.03)
    names = [f"UNIT-{n}" for n in range(10)]
    poller = _poller(taker, clock, (link, names))
    taker.paces["UNIT-0"] = Pace.STARTING
    poller.start()
    await clock.turn(60)
    await poller.stop()
    assert len(link.times("UNIT-0")) >= 570
    for name in names[1:]:
        assert len(link.times(name)) >= 57
        assert max(gaps(link.times(name))) <= 1.2


async def test_missed_deadlines_are_skipped_and_counted_and_never_made_up_in_a_burst(clock: HandClock, taker: NotingTaker) -> None:
    link = PlainLink(clock, takes_s=3.3)
    poller = _poller(taker, clock, (link, ["FAN-1"]))
    poller.start()
    await clock.turn(40)
    link.takes_s = 0.01
    await clock.turn(20)
    await poller.stop()
    assert min(gaps(link.times("FAN-1"))) >= 0.99
    assert set(gaps(link.times("FAN-1"))[-10:]) == {1.0}
    assert poller.logs[0].missed == pytest.approx(60 - len(link.times("FAN-1")), abs=3)


async def test_a_slow_or_dead_link_delays_no_other(clock: HandClock, taker: NotingTaker) -> None:
    dead, slow, well = (PlainLink(clock, f"modbus 10.20.0.{n}:502") for n in (1, 2, 3))
    dead.silent, slow.takes_s = {"DEAD"}, 5.0
    poller = _poller(taker, clock, (dead, ["DEAD"]), (slow, ["SLOW"]), (well, ["WELL"]))
    poller.start()
    await clock.turn(60)
    await poller.stop()
    assert set(gaps(well.times("WELL"))) == {1.0}
    assert len(well.times("WELL")) in (59, 60, 61)


@pytest.mark.parametrize("jump_s", [3600.0, -3600.0, 315_360_000.0])
async def test_a_jump_of_the_wall_clock_changes_no_spacing(clock: HandClock, taker: NotingTaker, jump_s: float) -> None:
    link = PlainLink(clock)
    poller = _poller(taker, clock, (link, ["FAN-1"]))
    poller.start()
    await clock.turn(10)
    clock.jump(jump_s)
    await clock.turn(10)
    await poller.stop()
    assert set(gaps(link.times("FAN-1"))[1:]) == {1.0}


async def test_while_a_link_is_closed_time_and_quality_go_on_at_the_standby_pace(clock: HandClock, taker: NotingTaker) -> None:
    link = PlainLink(clock)
    link.refuses = True
    taker.paces["FAN-1"] = Pace.STARTING
    poller = _poller(taker, clock, (link, ["FAN-1"]))
    poller.start()
    await clock.turn(60)
    await poller.stop()
    assert 55 <= len(taker.times("FAN-1")) <= 61
    assert set(taker.faults("FAN-1")) == {"nothing listens at port 502"}
    assert link.polls == []


async def test_a_link_that_does_not_open_is_tried_again_ever_less_often_but_every_ten_seconds(clock: HandClock, taker: NotingTaker) -> None:
    link = PlainLink(clock, takes_s=0.0)
    link.refuses = True
    poller = _poller(taker, clock, (link, ["FAN-1"]))
    poller.start()
    await clock.turn(100)
    assert gaps(link.opens)[:6] == [0.25, 0.5, 1.0, 2.0, 4.0, 8.0]
    assert set(gaps(link.opens)[6:]) == {10.0}
    assert poller.logs[0].failures == len(link.opens)
    link.refuses = False
    await clock.turn(12)
    await poller.stop()
    assert poller.logs[0].failures == 0
    assert len(link.polls) >= 1


async def test_a_device_that_connects_and_never_answers_is_left_alone_too(clock: HandClock, taker: NotingTaker) -> None:
    link = PlainLink(clock, takes_s=0.0)
    link.silent = {"FAN-1"}
    poller = _poller(taker, clock, (link, ["FAN-1"]))
    poller.start()
    await clock.turn(200)
    await poller.stop()
    assert max(gaps(link.opens)) >= 10.0
    assert len(link.opens) < 30
    assert SILENT.text in taker.faults("FAN-1")


async def test_one_dead_unit_does_not_keep_the_link_of_the_others_closed(clock: HandClock, taker: NotingTaker) -> None:
    link = PlainLink(clock)
    link.silent = {"DEAD"}
    poller = _poller(taker, clock, (link, ["DEAD", "WELL-1", "WELL-2"]), paces=Paces(standby_s=5.0))
    poller.start()
    await clock.turn(120)
    await poller.stop()
    # Each turn of the dead unit costs its second and the connection, which is opened again at once.
    for name in ("WELL-1", "WELL-2"):
        assert len(link.times(name)) >= 22
    assert poller.logs[0].failures <= 1


async def test_a_connection_that_is_cut_is_opened_again_at_once(clock: HandClock, taker: NotingTaker) -> None:
    link = PlainLink(clock)
    poller = _poller(taker, clock, (link, ["FAN-1"]))
    poller.start()
    await clock.turn(5.5)
    link.cut()
    await clock.turn(5)
    await poller.stop()
    assert len(link.opens) == 2
    assert max(gaps(taker.times("FAN-1"))) <= 1.1
    assert taker.faults("FAN-1") == []


async def test_a_fault_that_breaks_the_link_closes_it_when_the_link_did_not(clock: HandClock, taker: NotingTaker) -> None:
    link = PlainLink(clock)
    link.silent, link.closes_itself = {"FAN-1"}, False
    poller = _poller(taker, clock, (link, ["FAN-1"]))
    poller.start()
    await clock.turn(1.5)
    assert link.closes == 1
    await poller.stop()


async def test_a_fault_of_the_program_is_counted_and_stops_neither_the_worker_nor_its_neighbours(
    clock: HandClock, taker: NotingTaker, caplog: pytest.LogCaptureFixture
) -> None:
    link = PlainLink(clock)
    taker.fails_on = {"BAD"}
    poller = _poller(taker, clock, (link, ["BAD", "GOOD"]))
    poller.start()
    await clock.turn(60)
    assert poller.logs[0].restarts >= 10
    assert len(taker.times("GOOD")) >= 25
    taker.fails_on = set()
    await clock.turn(10)
    await poller.stop()
    assert len(taker.times("BAD")) >= 8
    assert "the worker failed and is started again" in caplog.text


async def test_it_stops_in_the_middle_of_anything(clock: HandClock, taker: NotingTaker) -> None:
    polling, opening, waiting = (PlainLink(clock, f"modbus 10.20.0.{n}:502") for n in (1, 2, 3))
    polling.takes_s, opening.takes_s = 0.0, 50.0
    poller = _poller(taker, clock, (polling, ["A"]), (opening, ["B"]), (waiting, ["C"]))
    poller.start()
    await clock.turn(2.5)
    polling.takes_s = 50.0
    await clock.turn(1)
    await poller.stop()
    await poller.stop()
    assert [link.is_open for link in (polling, opening, waiting)] == [False, False, False]
    assert [log.is_open for log in poller.logs] == [False, False, False]


async def test_a_link_that_does_not_close_is_left_behind(clock: HandClock, taker: NotingTaker, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("gateway.services.poller.CLOSE_TIMEOUT_S", 0.01)

    class StuckLink(PlainLink):
        async def close(self) -> None:
            await asyncio.get_running_loop().create_future()

    poller = _poller(taker, clock, (StuckLink(clock), ["FAN-1"]))
    poller.start()
    await clock.turn(1)
    await poller.stop()


async def test_the_notes_tell_rates_times_and_faults(clock: HandClock, taker: NotingTaker) -> None:
    link = PlainLink(clock, takes_s=0.02)
    poller = _poller(taker, clock, (link, ["FAN-1", "PUMP-2"]))
    poller.start()
    await clock.turn(120)
    health = poller.logs[0].health(clock.now())
    assert health.is_open
    assert health.starters == ("FAN-1", "PUMP-2")
    assert health.requests_per_s == pytest.approx(2.0, abs=0.1)
    assert health.round_trip_p50_s == pytest.approx(0.02, rel=0.25)
    assert health.lateness_p99_s is not None
    assert health.last_good_at == pytest.approx(clock.now(), abs=1_100_000)
    assert (health.fault, health.faults) == ("", {})
    link.silent = {"FAN-1"}
    await clock.turn(20)
    link.silent = set()
    link.refuses = True
    link.cut()
    await clock.turn(20)
    health = poller.logs[0].health(clock.now())
    assert not health.is_open
    assert health.fault_kind == "refused"
    assert set(health.faults) == {"no_answer", "refused"}
    await poller.stop()
