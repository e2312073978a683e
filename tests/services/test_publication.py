"""What is published can be waited for, and wakes everybody once."""

from __future__ import annotations

import asyncio
from dataclasses import replace

from gateway.motors.records import Live
from gateway.services.publication import Publication
from gateway.services.track import Track
from tests.services.feed import STARTERS


def _publication() -> Publication:
    return Publication(Track(starter).live() for starter in STARTERS)


def test_every_starter_has_a_row_before_the_first_reading() -> None:
    publication = _publication()
    assert list(publication.lives) == ["FAN-1", "PUMP-2"]
    assert publication.revision == 0
    assert publication.lives["FAN-1"].at is None


def test_a_change_counts_and_names_its_starter() -> None:
    publication = _publication()
    publication.publish(publication.lives["PUMP-2"])
    assert publication.revision == 1
    assert (publication.revision_of("FAN-1"), publication.revision_of("PUMP-2")) == (0, 1)


async def test_a_change_that_is_there_already_is_not_waited_for() -> None:
    publication = _publication()
    publication.publish(publication.lives["FAN-1"])
    assert await publication.wait_for_change(0) == 1


async def test_a_change_wakes_all_who_wait_and_a_cancelled_one_is_forgotten() -> None:
    publication = _publication()
    waiting = [asyncio.create_task(publication.wait_for_change(0)) for _ in range(3)]
    await asyncio.sleep(0)
    waiting[0].cancel()
    await asyncio.sleep(0)
    publication.publish(publication.lives["FAN-1"])
    publication.publish(publication.lives["FAN-1"])
    first, *others = await asyncio.gather(*waiting, return_exceptions=True)
    assert isinstance(first, asyncio.CancelledError)
    assert others == [2, 2]


def test_a_row_that_is_published_for_later_is_worked_out_when_somebody_looks_and_once() -> None:
    publication = _publication()
    made: list[int] = []

    def newer() -> Live:
        made.append(publication.revision)
        return replace(_publication().lives["FAN-1"], total_starts=len(made))

    publication.publish_later("FAN-1", newer)
    publication.publish_later("FAN-1", newer)
    assert (publication.revision, publication.revision_of("FAN-1"), made) == (2, 2, [])
    assert [publication.lives["FAN-1"].total_starts for _ in range(2)] == [1, 1]
    publication.publish_later("FAN-1", newer)
    publication.publish(replace(publication.lives["FAN-1"], total_starts=9))
    assert publication.lives["FAN-1"].total_starts == 9
    assert len(made) == 2
