"""The second process of the demo's history: it stores what it is given, ends when it is left, and says what went wrong."""

from __future__ import annotations

import multiprocessing
from dataclasses import replace
from pathlib import Path

import pytest

from gateway.demo import FOLDER
from gateway.demo_keeper import history_keeper
from gateway.errors import StoreError
from gateway.instants import SECOND
from gateway.motors.reading import Flaw, Quality, Reading
from gateway.site import Site, load_site
from gateway.store.database import open_store
from gateway.store.readers import Readers

NAME = "DC-01"
NO_LINK = {"voltage": Flaw(Quality.BAD, "no link")}
READINGS = [Reading(at * SECOND, {"current": 70.5, "running": True}, NO_LINK if at == 3 else {}) for at in range(9)]


def _site(folder: Path) -> Site:
    return replace(load_site(FOLDER / "site.yaml"), store_url=f"sqlite:///{folder / 'kept.db'}")


def _kept(site: Site) -> list[Reading]:
    store = open_store(site.store_url)
    try:
        return [reading for _, _, reading in Readers(store).readings_after(0, (NAME,))]
    finally:
        store.close()


def test_what_is_given_is_stored_to_the_last_bit(tmp_path: Path) -> None:
    site = _site(tmp_path)
    with history_keeper(site) as keep:
        keep(NAME, READINGS[:4])
        keep(NAME, READINGS[4:])
    assert _kept(site) == READINGS
    assert multiprocessing.active_children() == []


def test_when_it_is_broken_off_what_was_given_is_stored_and_the_process_ends(tmp_path: Path) -> None:
    site = _site(tmp_path)

    def break_off() -> None:
        with history_keeper(site) as keep:
            keep(NAME, READINGS)
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        break_off()
    assert multiprocessing.active_children() == []
    assert _kept(site) == READINGS


def test_a_store_that_cannot_be_opened_is_told_in_words(tmp_path: Path) -> None:
    (tmp_path / "kept.db").write_bytes(b"no database at all, but long enough to be looked at" * 50)

    def give() -> None:
        with history_keeper(_site(tmp_path)) as keep:
            for _ in range(2000):
                keep(NAME, READINGS)

    with pytest.raises(StoreError, match=r"kept\.db"):
        give()
