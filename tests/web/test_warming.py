"""Pictures drawn before anybody asks: all of them, the same ones, and no store fault keeps the pages away."""

from __future__ import annotations

import pytest
from fastapi import FastAPI

from gateway.errors import StoreError
from gateway.web.warming import warm
from tests.web.tarn_hollow import FakePlant


async def test_the_first_page_finds_every_strip_drawn(app: FastAPI, plant: FakePlant, monkeypatch: pytest.MonkeyPatch) -> None:
    desk = app.state.desk
    assert await warm(desk) == len(plant.motors) == 12

    def none(name: str, **_: object) -> list[object]:
        raise AssertionError(f"the starts of {name} were read again")

    monkeypatch.setattr(plant, "starts", none)
    for motor in desk.snapshot().motors:
        assert "<svg" in desk.shelf.strip(
            motor.live, motor.starter.motor.flc_a, "u" if motor.foremost and motor.foremost.priority == 1 else "c"
        )


async def test_a_store_that_cannot_be_read_ends_it_quietly(app: FastAPI, plant: FakePlant, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(name: str, **_: object) -> list[object]:
        raise StoreError("the disk is gone")

    monkeypatch.setattr(plant, "starts", broken)
    assert await warm(app.state.desk) == 0
