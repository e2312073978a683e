"""The same orders as at the keyboard over HTTP, for scripts and test benches on this machine: JSON, loopback only.

GET /            what can be ordered
GET /status      what the motor does and what the starter shows
POST /orders     {"order": "start"} gives {"ok": true, "text": "...", "data": {...}}; 422 with ok false when it was not understood or done

A web page that somebody looks at must not be able to start the motor, simulated or not: the Host must be this machine by its own name,
so that no foreign name can be pointed at it; a request with the Origin of any page is refused; and an order must be JSON by its content
type, which a page cannot send elsewhere without being asked first. Nothing here says that other origins are welcome.
"""

from __future__ import annotations

import asyncio
import contextlib
import socket
from collections.abc import Awaitable, Callable, Generator
from typing import Annotated

import uvicorn
from fastapi import Body, FastAPI, Request, Response
from fastapi.responses import JSONResponse
from pydantic import BaseModel, Field

from gateway.errors import ServeError
from simulators.fault_words import FAULT_WORDS
from simulators.orders import HELP, Answer

_HOST = "127.0.0.1"
_NAMES = ("127.0.0.1", "localhost", "[::1]")


class OrderText(BaseModel):
    """One order in words."""

    order: str = Field(max_length=500)


def control_app(do: Callable[[str], Awaitable[Answer]]) -> FastAPI:
    """Return the application; `do` carries out one order."""
    app = FastAPI(title="simulated starter", docs_url=None, redoc_url=None, openapi_url=None)

    @app.middleware("http")
    async def from_here_only(request: Request, call_next: Callable[[Request], Awaitable[Response]]) -> Response:
        reason = refused(request)
        if reason is not None:
            return JSONResponse({"ok": False, "text": reason}, status_code=403)
        return await call_next(request)

    @app.get("/")
    async def orders() -> dict[str, object]:
        return {"orders": HELP.splitlines(), "faults": FAULT_WORDS, "write": 'POST /orders {"order": "start"}, GET /status'}

    @app.get("/status")
    async def status() -> JSONResponse:
        answer = await do("status")
        return JSONResponse(dict(answer.data))

    @app.post("/orders")
    async def order(request: Request, asked: Annotated[OrderText, Body()]) -> JSONResponse:
        answer = await do(asked.order)
        return JSONResponse({"ok": answer.ok, "text": answer.text, "data": dict(answer.data)}, status_code=200 if answer.ok else 422)

    return app


def refused(request: Request) -> str | None:
    """Return why a request is refused before anything is done with it, None when it may pass."""
    host = request.headers.get("host", "").rpartition(":")
    name = host[0] if host[1] and host[2].isdigit() else host[2]
    if name not in _NAMES:
        return "this control answers to 127.0.0.1 and localhost only"
    if "origin" in request.headers or request.headers.get("sec-fetch-site", "none") not in ("none", "same-origin"):
        return "this control takes no orders from web pages"
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if request.method not in ("GET", "HEAD") and kind != "application/json":
        return "send the order as application/json"
    return None


class _Server(uvicorn.Server):
    """uvicorn without its own signal handlers: the command decides what Ctrl-C means."""

    @contextlib.contextmanager
    def capture_signals(self) -> Generator[None, None, None]:
        yield


class Control:
    """Serves the application on loopback. port: 0 takes a free one, see `address` after `start`."""

    def __init__(self, app: FastAPI, port: int) -> None:
        self._port = port
        self._server = _Server(
            uvicorn.Config(
                app,
                log_config=None,
                access_log=False,
                server_header=False,
                lifespan="off",
                timeout_graceful_shutdown=2,
                limit_concurrency=20,
            )
        )
        self._task: asyncio.Task[None] | None = None

    @property
    def address(self) -> str:
        """Where it listens."""
        return f"http://{_HOST}:{self._port}"

    async def start(self) -> None:
        """Listen. Raises ServeError when the port is taken."""
        sock = socket.socket()
        try:
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            sock.bind((_HOST, self._port))
            sock.listen(20)
        except OSError as error:
            sock.close()
            why = error.strerror or error
            raise ServeError(f"cannot serve the control on {_HOST}:{self._port}: {why}; choose another with --control-port") from error
        self._port = sock.getsockname()[1]
        self._task = asyncio.create_task(self._server.serve(sockets=[sock]), name="control")

    async def stop(self) -> None:
        """End it. Safe to call twice."""
        task, self._task = self._task, None
        if task is not None:
            self._server.should_exit = True
            await task
