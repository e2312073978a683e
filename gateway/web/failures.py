"""Error answers: what happened and what to do; a page for people, a typed problem for programs. Never a trace, a path or a version."""

from __future__ import annotations

import logging
import secrets
from http import HTTPStatus

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from pydantic import BaseModel
from starlette.exceptions import HTTPException
from starlette.responses import HTMLResponse, Response

from gateway.errors import StoreError
from gateway.web.desk import Desk
from gateway.web.guard import SECURITY_HEADERS

logger = logging.getLogger(__name__)

_ADVICE = {
    404: "Check the address, or go on from the list of motors.",
    403: "Open the page from this gateway itself and try again.",
    405: "Open the page from its link.",
    409: "Load the page again to see the present state.",
    413: "Send less at once.",
    422: "Correct the values named above and try again.",
    503: "Wait a few seconds and load the page again.",
}
_HAPPENED = {
    404: "There is nothing at this address.",
    405: "This address does not take that kind of request.",
    422: "The request could not be understood.",
    503: "The gateway cannot answer this now.",
}


class Problem(BaseModel):
    """An error answer of the API: the status, what happened, what to do, and an id to find it in the log (server faults only)."""

    status: int
    happened: str
    advice: str
    id: str = ""


def _wants_api(request: Request) -> bool:
    return request.url.path.startswith("/api/") or request.url.path == "/stream"


def _answer(desk: Desk, request: Request, problem: Problem) -> Response:
    if _wants_api(request):
        return Response(
            problem.model_dump_json(), status_code=problem.status, media_type="application/json", headers=dict(SECURITY_HEADERS)
        )
    page = desk.templates.get_template("error.html").render(
        site=desk.plant.site.name, problem=problem, said=problem.happened.split(". ", 1)
    )
    return HTMLResponse(page, status_code=problem.status, headers=dict(SECURITY_HEADERS))


def problem_of(status: int, detail: str = "", problem_id: str = "") -> Problem:
    """Return the problem for a status; `detail` replaces the general words when a route has said more."""
    standard = HTTPStatus(status).phrase
    happened = _HAPPENED.get(status, "The gateway did not do this.") if not detail or detail == standard else detail
    return Problem(status=status, happened=happened, advice=_ADVICE.get(status, "Go on from the list of motors."), id=problem_id)


def _validation_words(error: RequestValidationError) -> str:
    found = [
        f"{'.'.join(str(part) for part in entry['loc'] if part not in ('body', 'query', 'path'))}: {entry['msg']}"
        for entry in error.errors()
    ]
    return "The request could not be understood: " + "; ".join(found[:5]) + "."


def install_failures(app: FastAPI, desk: Desk) -> None:
    """Give the application its error answers."""

    async def refused(request: Request, error: Exception) -> Response:
        if not isinstance(error, HTTPException):
            raise error
        return _answer(desk, request, problem_of(error.status_code, str(error.detail)))

    async def not_valid(request: Request, error: Exception) -> Response:
        if not isinstance(error, RequestValidationError):
            raise error
        return _answer(desk, request, problem_of(422, _validation_words(error)))

    async def no_store(request: Request, error: Exception) -> Response:
        logger.error("store cannot be read: %s", error)
        return _answer(desk, request, problem_of(503, "The store cannot be read at the moment, so past starts cannot be shown."))

    async def broken(request: Request, error: Exception) -> Response:
        problem_id = secrets.token_hex(4)
        logger.error("request %s %s failed, id %s", request.method, request.url.path, problem_id, exc_info=error)
        problem = Problem(
            status=500,
            happened="The gateway made a mistake while it answered. Reading and recording go on.",
            advice="Load the page again. If it stays, look for the id in the gateway's log.",
            id=problem_id,
        )
        return _answer(desk, request, problem)

    app.add_exception_handler(HTTPException, refused)
    app.add_exception_handler(RequestValidationError, not_valid)
    app.add_exception_handler(StoreError, no_store)
    app.add_exception_handler(Exception, broken)
