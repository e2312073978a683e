"""The bytes of one Modbus connection: what leaves passes the guard, what comes in is handed on as it arrives, and one timer watches the
request that is on its way. Knows nothing of frames."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import cast

LARGEST_BURST = 1 << 20
"""More than this from one device without a right reply among it is a flood."""


class BlockedRequestError(Exception):
    """The guard stopped a frame; never leaves the driver."""


class Wire(asyncio.Protocol):
    """One connection, used for one request at a time.

    guard: returns why bytes must not be sent, None when they may. on_received: is handed everything that came in since the last request,
    each time more arrives. on_lost: the other side has closed the connection.
    """

    def __init__(
        self, guard: Callable[[bytes], str | None], on_received: Callable[[bytes], None], on_lost: Callable[[], None]
    ) -> None:
        self._guard = guard
        self._on_received = on_received
        self._on_lost = on_lost
        self._received = b""
        self.transport: asyncio.Transport | None = None
        """None while no bytes can be sent."""

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Take the connection that the event loop has made."""
        # Neither loop's transport need be of the class the library names, but all can write and abort.
        self.transport = cast("asyncio.Transport", transport)

    def connection_lost(self, exc: Exception | None) -> None:
        """Note that the other side closed; when this side did, nobody is told."""
        if self.transport is not None:
            self.transport = None
            self._on_lost()

    def data_received(self, data: bytes) -> None:
        """Hand on what came in."""
        if self.transport is None:
            return
        self._received = self._received + data if self._received else data
        self._on_received(self._received)

    def forget(self) -> None:
        """Forget what came in so far."""
        self._received = b""

    @property
    def is_flooded(self) -> bool:
        """True when more came in than any reply can be."""
        return len(self._received) > LARGEST_BURST

    def ask(self, frame: bytes) -> None:
        """Put a request on the wire: the only place from which bytes leave. BlockedRequestError when it is not a read."""
        reason = self._guard(frame)
        if reason is not None:
            raise BlockedRequestError(reason)
        self._received = b""
        if self.transport is not None:
            self.transport.write(frame)

    def close(self) -> None:
        """Close at once, without waiting for unsent bytes; safe to call twice."""
        transport, self.transport = self.transport, None
        if transport is not None:
            # On an encrypted connection the first takes leave of the other side, the second does not wait for its answer.
            transport.close()
            transport.abort()
