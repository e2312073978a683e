"""Where every fault of one served address begins and ends, whether a scenario planned it or somebody orders it now."""

from __future__ import annotations

import asyncio

from asyncua.ua.status_codes import StatusCodes

from simulators.faults import FaultSwitch, ReplyFault
from simulators.framing import Framing
from simulators.link_faults import MODBUS_FAULTS, OPCUA_FAULTS, Fault, FaultKind, LinkFault
from simulators.modbus import ModbusServer
from simulators.opcua import OpcuaServer

_INSERTED = "urn:simulated:inserted"


class FaultDesk:
    """Begins and ends faults on one served address. One order is carried out at a time."""

    def __init__(self, server: ModbusServer | OpcuaServer, switch: FaultSwitch | None = None) -> None:
        self._server = server
        self._switch = switch
        self._turn = asyncio.Lock()
        self._limit_before: int | None = None

    def knows(self, kind: FaultKind) -> bool:
        """Return whether this fault can happen on this address."""
        if isinstance(kind, ReplyFault):
            has_check_sum = isinstance(self._server, ModbusServer) and self._server.framing is Framing.RTU
            return self._switch is not None and (has_check_sum or kind is not ReplyFault.CRC)
        return kind in (MODBUS_FAULTS if isinstance(self._server, ModbusServer) else OPCUA_FAULTS)

    async def begin(self, fault: Fault, unit: int | None = None) -> None:
        """Let a fault begin; ValueError when it cannot happen on this address."""
        if not self.knows(fault.kind):
            raise ValueError(f"{fault.kind.value} cannot happen on this address")
        async with self._turn:
            if isinstance(fault.kind, ReplyFault):
                self._spoil_replies(fault.kind, fault, unit)
            elif isinstance(self._server, ModbusServer):
                await self._begin_modbus(self._server, fault)
            else:
                await self._begin_opcua(self._server, fault)

    async def end(self, fault: Fault, unit: int | None = None) -> None:
        """Let a fault end; nothing happens when it does not last."""
        async with self._turn:
            if isinstance(fault.kind, ReplyFault):
                if self._switch is not None:
                    self._switch.clear(fault.kind, unit=unit)
            elif isinstance(self._server, ModbusServer):
                if fault.kind is LinkFault.REFUSE:
                    await self._server.start()
                elif fault.kind is LinkFault.CONNECTION_LIMIT:
                    self._server.connection_limit = self._limit_before
            else:
                await self._end_opcua(self._server, fault)

    def _spoil_replies(self, kind: ReplyFault, fault: Fault, unit: int | None) -> None:
        if self._switch is None:
            return
        if fault.replies is not None:
            self._switch.next(kind, fault.replies, unit=unit, delay_s=fault.delay_s, exception_code=fault.exception_code)
        else:
            self._switch.sometimes(kind, fault.probability, unit=unit, delay_s=fault.delay_s, exception_code=fault.exception_code)

    async def _begin_modbus(self, server: ModbusServer, fault: Fault) -> None:
        match fault.kind:
            case LinkFault.REFUSE:
                await server.refuse()
            case LinkFault.CONNECTION_LIMIT:
                self._limit_before, server.connection_limit = server.connection_limit, fault.value
            case _:
                await server.cut()

    async def _begin_opcua(self, server: OpcuaServer, fault: Fault) -> None:
        match fault.kind:
            case LinkFault.SERVER_FROZEN:
                server.frozen = True
            case LinkFault.SERVER_KILLED:
                await server.kill()
            case LinkFault.SERVER_RESTARTED:
                await _restarted(server)
            case LinkFault.NAMESPACE_INSERTED:
                server.extra_namespaces = (*server.extra_namespaces, f"{_INSERTED}:{len(server.extra_namespaces) + 1}")
                await _restarted(server)
            case LinkFault.NODE_REMOVED:
                server.removed.add(fault.signal)
                await _restarted(server)
            case LinkFault.BAD_STATUS:
                server.statuses.update(dict.fromkeys(_keys(server, fault), int(StatusCodes.BadSensorFailure)))
                await server.publish()
            case _:
                server.source_times = False

    async def _end_opcua(self, server: OpcuaServer, fault: Fault) -> None:
        match fault.kind:
            case LinkFault.SERVER_FROZEN:
                server.frozen = False
            case LinkFault.SERVER_KILLED:
                await server.start()
            case LinkFault.NAMESPACE_INSERTED if server.extra_namespaces:
                server.extra_namespaces = server.extra_namespaces[:-1]
                await _restarted(server)
            case LinkFault.NODE_REMOVED:
                server.removed.discard(fault.signal)
                await _restarted(server)
            case LinkFault.BAD_STATUS:
                for key in _keys(server, fault):
                    server.statuses.pop(key, None)
                await server.publish()
            case LinkFault.NO_SOURCE_TIME:
                server.source_times = True


async def _restarted(server: OpcuaServer) -> None:
    await server.stop()
    await server.start()


def _keys(server: OpcuaServer, fault: Fault) -> tuple[str, ...]:
    if fault.signal:
        return (fault.signal,)
    return tuple(signal.key for device in server.devices for signal in device.map.signals)
