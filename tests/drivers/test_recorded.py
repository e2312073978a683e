"""A recorded link hands out readings like any other."""

from __future__ import annotations

from gateway.drivers.base import FaultKind
from gateway.drivers.recorded import RecordedLink
from gateway.motors.reading import Quality, Reading
from gateway.motors.records import Pace


async def test_a_recorded_link_hands_out_its_readings_in_turn() -> None:
    fan = [Reading(1, {"current": 1.0}), Reading(2, {"current": 2.0})]
    link = RecordedLink({"fan": fan, "pump": []})
    closed = await link.poll("fan", Pace.STANDBY)
    assert closed.faults[0].text == "the link is not open"
    assert await link.open() is None
    assert link.is_open
    assert [(await link.poll("fan", Pace.RUNNING)).readings[0] for _ in fan] == fan
    ended = await link.poll("fan", Pace.STANDBY)
    assert ended.faults[0].kind is FaultKind.CLOSED
    assert ended.readings[0].at == 2
    assert ended.readings[0].quality_of("current") is Quality.BAD
    assert (await link.poll("pump", Pace.STANDBY)).faults[0].text == "the recording ends here"
    await link.close()
    assert not link.is_open
