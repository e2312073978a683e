"""The page that predicts starts. Worked out in a thread of the pool, one at a time, and kept: the same question is answered once."""

from __future__ import annotations

import threading
from collections import OrderedDict
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated

from fastapi import APIRouter, HTTPException, Query
from fastapi.concurrency import run_in_threadpool
from starlette.responses import HTMLResponse

from gateway.errors import InputError, Problem
from gateway.motors.facts import LimitSettings, LoadData, MotorData, Starter, StarterData, Thresholds
from gateway.services.prediction import forecast
from gateway.web.desk import Desk
from gateway.web.prediction_view import QUESTION, PredictionView, prediction_view
from gateway.web.snapshot import Snapshot

SITE_FILE = Path("site file")
"""Named so in messages: a page tells no paths."""
MOST_KEPT = 32
_WAIT_S = 20.0
Question = tuple[str, MotorData, LoadData | None, StarterData, LimitSettings, Thresholds]
Setting = Annotated[str, Query(max_length=8)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Field:
    """One input: what is typed, what is set now."""

    name: str
    label: str
    value: str
    usual: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """The answer to one question: a prediction, or why there is none."""

    view: PredictionView | None
    problems: tuple[Problem, ...]


class PredictionShelf:
    """Predictions already made, the last used ones kept, and the turn of the one being made. Threads of the pool share it."""

    def __init__(self, most: int = MOST_KEPT, wait_s: float = _WAIT_S) -> None:
        self._most, self._wait_s = most, wait_s
        self._kept: OrderedDict[Question, Told] = OrderedDict()
        self._turn = threading.Lock()

    def told(self, starter: Starter) -> Told:
        """Return the answer for a starter as it is given; in the pool only. HTTPException 503 when the turn does not come in time."""
        if not self._turn.acquire(timeout=self._wait_s):
            raise HTTPException(503, "Other predictions are being worked out. Try again in a few seconds.")
        try:
            key = (starter.name, starter.motor, starter.load, starter.device, starter.limits, starter.thresholds)
            known = self._kept.pop(key, None)
            told = _worked_out(starter) if known is None else known
            self._kept[key] = told
            if len(self._kept) > self._most:
                self._kept.popitem(last=False)
            return told
        finally:
            self._turn.release()


def _worked_out(starter: Starter) -> Told:
    try:
        return Told(view=prediction_view(forecast(starter, SITE_FILE)), problems=())
    except InputError as error:
        return Told(view=None, problems=error.problems)


def predict_router(desk: Desk) -> APIRouter:
    """Return the route of the page."""
    router = APIRouter(default_response_class=HTMLResponse, include_in_schema=False)
    shelf = PredictionShelf()

    @router.get("/predict")
    async def page(
        motor: Annotated[str, Query(max_length=60)] = "", ramp: Setting = "", voltage: Setting = "", limit: Setting = ""
    ) -> HTMLResponse:
        snapshot = desk.snapshot()
        typed = {"ramp": ramp.strip(), "voltage": voltage.strip(), "limit": limit.strip()}
        return await run_in_threadpool(_page, desk, snapshot, shelf, motor, typed)

    return router


def _page(desk: Desk, snapshot: Snapshot, shelf: PredictionShelf, name: str, typed: dict[str, str]) -> HTMLResponse:
    names = [entry.starter for entry in snapshot.motors]
    starter = desk.motor(snapshot, name).starter if name else names[0] if names else None
    told, problems = Told(view=None, problems=()), list[Problem]()
    if starter is not None:
        tried, problems = tried_starter(starter, typed)
        told = shelf.told(tried) if not problems else told
    return desk.page(
        "predict.html",
        snapshot,
        here="predict",
        question=QUESTION,
        sentence=_sentence(starter),
        names=names,
        chosen="" if starter is None else starter.name,
        fields=[] if starter is None else _fields(starter.device, typed),
        tried=any(typed.values()),
        view=told.view,
        problems=[*problems, *told.problems],
    )


def _sentence(starter: Starter | None) -> str:
    return "The site file names no motor to predict." if starter is None else f"{starter.name} cannot be predicted yet."


def tried_starter(starter: Starter, typed: dict[str, str]) -> tuple[Starter, list[Problem]]:
    """Return the starter with the settings typed into the page, and what is wrong with them."""
    device, problems = starter.device, list[Problem]()
    ramp_s, problem = _number("ramp", typed["ramp"], 0.1, 600.0, "s")
    problems += problem
    voltage_pct, problem = _number("initial voltage", typed["voltage"], 5.0, 100.0, "%")
    problems += problem
    limit, problem = _number("current limit", typed["limit"], 0.5, 12.0, "x FLC")
    problems += problem
    changed = replace(
        device,
        ramp_time_s=device.ramp_time_s if ramp_s is None else ramp_s,
        initial_voltage_ratio=device.initial_voltage_ratio if voltage_pct is None else voltage_pct / 100.0,
        current_limit_ratio=device.current_limit_ratio if limit is None else limit,
    )
    return replace(starter, device=changed), problems


def _number(label: str, text: str, low: float, high: float, unit: str) -> tuple[float | None, list[Problem]]:
    if not text:
        return None, []
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if low <= value <= high:
        return value, []
    return None, [Problem(file="", message=f"{label}: {text} cannot be; allowed {low:g} to {high:g} {unit}, a plain number.")]


def _fields(device: StarterData, typed: dict[str, str]) -> list[Field]:
    def usual(value: float | None, factor: float = 1.0) -> str:
        return "typical" if value is None else f"{factor * value:g}"

    return [
        Field(name="ramp", label="ramp, s", value=typed["ramp"], usual=usual(device.ramp_time_s)),
        Field(name="voltage", label="initial voltage, %", value=typed["voltage"], usual=usual(device.initial_voltage_ratio, 100.0)),
        Field(name="limit", label="current limit, × FLC", value=typed["limit"], usual=usual(device.current_limit_ratio)),
    ]
