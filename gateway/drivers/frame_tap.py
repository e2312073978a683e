"""A Modbus connection whose raw frames can be seen: for records that are handed on and replayed."""

from __future__ import annotations

from gateway.drivers.modbus_connection import ModbusConnection


class TappedConnection(ModbusConnection):
    """A `ModbusConnection` that remembers the bytes of its last request and of everything that came after it.

    last_sent: the request as it left, empty when the guard stopped it. last_received: what arrived since, right or not.
    """

    last_sent: bytes = b""
    last_received: bytes = b""

    def _on_packet(self, sending: bool, data: bytes) -> bytes:
        if sending:
            self.last_sent, self.last_received = b"", b""
            passed = super()._on_packet(sending, data)
            self.last_sent = passed
            return passed
        # The library hands over everything since the request each time more arrives.
        self.last_received = data
        return super()._on_packet(sending, data)
