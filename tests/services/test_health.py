"""A link's notes: faults by class, what stands now, requests a second, all in bounded memory."""

from __future__ import annotations

from gateway.drivers.base import Fault, FaultKind, Poll
from gateway.motors.reading import Flaw, Quality, Reading
from gateway.services.health import Health, LinkHealth, LinkLog, StoreHealth, silence_s

T0 = 1_780_000_000_000_000
SECOND = 1_000_000
SILENT = Fault(kind=FaultKind.NO_ANSWER, text="unit 3 does not answer")
FROZEN = Fault(kind=FaultKind.FROZEN, text="nothing moves", breaks_link=True)


def _good(requests: int = 1) -> Poll:
    return Poll(readings=(Reading(T0, {"current": 1.0}),), requests=requests, round_trip_s=0.01)


def _bad(fault: Fault, requests: int = 1) -> Poll:
    return Poll(readings=(Reading(T0, {}, {"current": Flaw(Quality.BAD, fault.text)}),), faults=(fault,), requests=requests)


def test_the_fault_shown_is_the_one_that_stands() -> None:
    log = LinkLog("modbus 10.20.0.11:502", ("FAN-1", "PUMP-2"))
    log.note_poll("FAN-1", _bad(SILENT), 0.0, T0)
    log.note_poll("PUMP-2", _good(), 0.0, T0)
    assert log.health(T0).fault == "unit 3 does not answer"
    log.note_poll("FAN-1", _good(), 0.0, T0)
    assert (log.health(T0).fault, log.health(T0).fault_kind) == ("", "")
    assert log.health(T0).faults == {"no_answer": 1}


def test_a_link_that_does_not_open_says_why_until_it_opens() -> None:
    log = LinkLog("modbus 10.20.0.11:502", ("FAN-1",))
    refused = Fault(kind=FaultKind.REFUSED, text="nothing listens")
    log.note_opening(refused)
    log.note_poll("FAN-1", _bad(SILENT, requests=0), 0.0, T0, was_open=False)
    assert log.health(T0).fault == "nothing listens"
    log.note_opening(None)
    log.note_poll("FAN-1", _good(), 0.0, T0)
    assert log.health(T0).fault == ""


def test_only_what_was_asked_of_a_device_counts_as_a_fault_of_it() -> None:
    log = LinkLog("modbus 10.20.0.11:502", ("FAN-1",))
    for _ in range(5):
        log.note_poll("FAN-1", _bad(SILENT, requests=0), 0.0, T0)  # the unit rests
    assert log.health(T0).faults == {}
    log.note_poll("FAN-1", _bad(FROZEN, requests=0), 0.0, T0)  # a subscription that went silent costs the link
    log.note_poll("FAN-1", _bad(FROZEN, requests=0), 0.0, T0, was_open=False)
    assert log.health(T0).faults == {"frozen": 1}


def test_requests_are_counted_over_the_last_minute() -> None:
    log = LinkLog("modbus 10.20.0.11:502", ("FAN-1",))
    for n in range(600):
        log.note_poll("FAN-1", _good(requests=2), 0.0, T0 + n * SECOND // 2)
    assert log.health(T0 + 299 * SECOND).requests_per_s == 4.0
    assert log.health(T0 + 329 * SECOND).requests_per_s == 2.0
    assert log.health(T0 + 400 * SECOND).requests_per_s == 0.0


def test_a_clock_set_back_leaves_no_requests_of_the_future() -> None:
    log = LinkLog("modbus 10.20.0.11:502", ("FAN-1",))
    for n in range(100):
        log.note_poll("FAN-1", _good(), 0.0, T0 + n * SECOND)
    log.note_poll("FAN-1", _good(), 0.0, T0 - 3600 * SECOND)
    assert log.health(T0 - 3600 * SECOND).requests_per_s == 1 / 60


def test_silence_is_measured_from_the_last_good_value() -> None:
    log = LinkLog("modbus 10.20.0.11:502", ("FAN-1",))
    assert silence_s(log.health(T0), T0) is None
    log.note_poll("FAN-1", _good(), 0.0, T0)
    log.note_poll("FAN-1", _bad(SILENT), 0.0, T0 + 5 * SECOND)
    assert silence_s(log.health(T0), T0 + 7 * SECOND) == 7.0
    assert silence_s(log.health(T0), T0 - SECOND) == 0.0


def test_all_is_well_only_when_every_link_and_the_store_are() -> None:
    well, ill = LinkHealth(address="a", starters=(), is_open=True), LinkHealth(address="b", starters=(), is_open=True, fault="silent")
    store = StoreHealth(url="ledger.db", is_storing=True)

    def health(links: tuple[LinkHealth, ...], store: StoreHealth) -> Health:
        return Health(at=T0, started_at=T0, version="0", links=links, store=store)

    assert health((well,), store).is_well
    assert not health((well, ill), store).is_well
    assert not health((well,), StoreHealth(url="ledger.db", is_storing=False)).is_well
    assert not health((LinkHealth(address="c", starters=(), is_open=False),), store).is_well
