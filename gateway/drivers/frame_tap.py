"""A Modbus connection whose raw frames can be seen: for records that are handed on and replayed."""

from __future__ import annotations

from gateway.drivers.modbus_connection import ModbusConnection


class TappedConnection(ModbusConnection):
    """A `ModbusConnection` that remembers the bytes of its last request and of everything that came after it.

    last_sent: the request as it left, empty when the guard stopped it. last_received: what arrived since, right or not.
    """

    last_sent: bytes = b""
    last_received: bytes = b""

    def _put(self, frame: bytes) -> bytes:
        self.last_sent, self.last_received = b"", b""
        self.last_sent = super()._put(frame)
        return self.last_sent

    def _on_received(self, data: bytes) -> None:
        self.last_received = data
        super()._on_received(data)
