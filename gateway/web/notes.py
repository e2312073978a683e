"""Maintenance notes of a motor: what somebody did to the machine. After one, drift is learned anew. Nothing is written to any device."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from fastapi import APIRouter, HTTPException, Request
from fastapi.concurrency import run_in_threadpool
from pydantic import ValidationError
from starlette.responses import Response

from gateway.instants import Instant, to_iso
from gateway.motors.drift_terms import DriftBreak
from gateway.web.acknowledging import refuse_foreign
from gateway.web.desk import Desk, motor_url
from gateway.web.form import back_to, form_fields
from gateway.web.models import NewNote, NoteAnswer, NotesAnswer
from gateway.web.plant_time import PlantTime
from gateway.web.plant_view import NoteView

MOST_SHOWN = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class Happening:
    """One line of what was done to a motor: a note or a changed setting."""

    when: str
    what: str
    by: str


def happenings(notes: Sequence[NoteView], breaks: Sequence[DriftBreak], time: PlantTime, now: Instant) -> list[Happening]:
    """Return notes and changed settings together, newest first. A break that a note made stands as the note."""
    noted = {note.text for note in notes}
    lines = [(note.at, note.text, note.by) for note in notes]
    lines += [(each.at, f"setting changed at the starter: {each.reason}", "") for each in breaks if each.reason not in noted]
    newest = sorted(lines, key=lambda line: -line[0])[:MOST_SHOWN]
    return [Happening(when=time.moment(at, now), what=what, by=by) for at, what, by in newest]


def notes_router(desk: Desk) -> APIRouter:
    """Return the routes: the form of the motor page, and the same for programs."""
    router = APIRouter()

    @router.post("/motors/{name}/notes", include_in_schema=False)
    async def add(request: Request, name: str) -> Response:
        refuse_foreign(request)
        desk.motor(desk.snapshot(), name)
        fields = await form_fields(request)
        try:
            said = NewNote(text=fields.get("text", ""), by=fields.get("by", ""))
        except ValidationError as error:
            raise HTTPException(422, "Give what was done, at most 200 characters, and your name, at most 60.") from error
        desk.plant.note(name, said.text, said.by)
        return back_to(motor_url(name, "#notes"), said.by)

    @router.get("/api/motors/{name}/notes")
    async def listing(name: str) -> NotesAnswer:
        desk.motor(desk.snapshot(), name)
        found = await run_in_threadpool(desk.plant.notes, name)
        return NotesAnswer(motor=name, notes=[NoteAnswer(at=to_iso(note.at), text=note.text, by=note.by) for note in found])

    @router.post("/api/motors/{name}/notes", status_code=201)
    async def take(request: Request, name: str, body: NewNote) -> NoteAnswer:
        refuse_foreign(request)
        desk.motor(desk.snapshot(), name)
        note = desk.plant.note(name, body.text, body.by)
        return NoteAnswer(at=to_iso(note.at), text=note.text, by=note.by)

    return router
