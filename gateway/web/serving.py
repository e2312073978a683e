"""Serving the application: a socket bound before anything starts, and an end that open streams cannot hold up."""

from __future__ import annotations

import asyncio
import contextlib
import errno
import socket
from collections.abc import Callable, Generator

import uvicorn
from fastapi import FastAPI

from gateway.errors import ServeError

GRACE_S = 5
MOST_CONNECTIONS = 200


class _Server(uvicorn.Server):
    """uvicorn without its own signal handlers: the caller decides what Ctrl-C means."""

    @contextlib.contextmanager
    def capture_signals(self) -> Generator[None, None, None]:
        yield


def bound_socket(host: str, port: int) -> socket.socket:
    """Return a listening socket; ServeError in plain words when the address cannot be had."""
    try:
        found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE)
    except socket.gaierror as error:
        raise ServeError(f"cannot serve on {host}: the name does not resolve; use 127.0.0.1 or an address of this machine") from error
    family, kind, protocol, _, address = found[0]
    sock = socket.socket(family, kind, protocol)
    try:
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        sock.bind(address)
        sock.listen(256)
    except OSError as error:
        sock.close()
        raise ServeError(f"cannot serve on {host}:{port}: {_why(error)}") from error
    sock.setblocking(False)
    return sock


def _why(error: OSError) -> str:
    if error.errno == errno.EADDRINUSE:
        return "the port is taken by another program; end that program or choose another port in the site file (web: port)"
    if error.errno == errno.EACCES:
        return "this user may not use the port; choose one above 1023"
    if error.errno == errno.EADDRNOTAVAIL:
        return "this machine has no such address; use 127.0.0.1 or an address of this machine"
    return error.strerror or "the address cannot be bound"


async def serve(app: FastAPI, host: str, port: int, stop: asyncio.Event, *, on_ready: Callable[[str], None] | None = None) -> None:
    """Serve until `stop` is set, then end the streams and return; at most `GRACE_S` seconds for requests under way.

    `on_ready` is told the address, with the real port when 0 was asked for. ServeError when the address cannot be bound.
    """
    sock = bound_socket(host, port)
    config = uvicorn.Config(
        app,
        log_config=None,
        access_log=False,
        server_header=False,
        lifespan="on",
        timeout_graceful_shutdown=GRACE_S,
        limit_concurrency=MOST_CONNECTIONS,
        h11_max_incomplete_event_size=16384,
    )
    server = _Server(config)
    stopping = asyncio.create_task(_stop_when_told(server, app, stop))
    try:
        if on_ready is not None:
            shown = f"[{host}]" if ":" in host else host
            on_ready(f"http://{shown}:{sock.getsockname()[1]}")
        await server.serve(sockets=[sock])
    finally:
        stopping.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await stopping
        sock.close()


async def _stop_when_told(server: uvicorn.Server, app: FastAPI, stop: asyncio.Event) -> None:
    await stop.wait()
    app.state.desk.hub.stop()
    server.should_exit = True
