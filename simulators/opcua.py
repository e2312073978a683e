"""An OPC UA server for simulated devices, made from the same register maps that the gateway reads them with.

Every signal of a map becomes a variable under the map's namespace URI, by identifier or by browse path. Nothing is writable but the signals
named in `writable`; write requests are counted. A restart builds the address space anew, so that start time, sessions and, when wanted,
namespace indices change as on a real device.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import socket
from collections import Counter
from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, timedelta
from typing import Protocol

from asyncua import ua
from asyncua.common.callback import CallbackType, ServerItemCallback
from asyncua.server.server import Server
from asyncua.ua.status_codes import StatusCodes

from gateway.errors import ServeError
from gateway.registers.model import RegisterMap
from simulators.opcua_nodes import Variable, build_variables, check_nodes, variant_of
from simulators.words import Value

_EPOCH = ua.DateTime(1970, 1, 1, tzinfo=UTC)


class Source(Protocol):
    """One device behind the server, as the server needs it."""

    @property
    def answers(self) -> bool:
        """False while the device is off: its variables go to a bad status."""
        ...

    def sample(self) -> tuple[Mapping[str, Value], float]:
        """Return the device's values by signal key and when it measured them [s since 1970, UTC]."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Device:
    """A source and the map that says where its values stand."""

    map: RegisterMap
    source: Source


class OpcuaServer:
    """Serves devices on one endpoint. Their maps must name different nodes.

    update_s: how often the server itself takes values from the devices; None leaves that to `publish`.
    extra_namespaces: URIs registered before those of the maps, so that the maps' indices move up; takes effect at the next start.
    source_times: False leaves out the source timestamp.
    stamps_changes: the source timestamp is that of the last change of value or status, as OPC 10000-4 wishes; False stamps every sample,
        as many servers do.
    writable: what is done with a value that a client writes, by signal key.
    """

    def __init__(
        self,
        devices: Sequence[Device],
        *,
        host: str = "127.0.0.1",
        port: int = 0,
        update_s: float | None = 0.1,
        extra_namespaces: Sequence[str] = (),
        source_times: bool = True,
        stamps_changes: bool = False,
        writable: Mapping[str, Callable[[bool], None]] | None = None,
    ) -> None:
        self.writable = dict(writable or {})
        self.devices = tuple(devices)
        self.host = host
        self.port = port
        self.update_s = update_s
        self.extra_namespaces = tuple(extra_namespaces)
        self.source_times = source_times
        self.stamps_changes = stamps_changes
        self.frozen = False
        """While True the server answers, and nothing moves, its own clock included."""
        self.statuses: dict[str, int] = {}
        """Status codes forced upon signals, by signal key."""
        self.removed: set[str] = set()
        """Signal keys left out of the address space at the next start."""
        self.requests: Counter[str] = Counter()
        """Service calls that came from clients: read, write, subscribe."""
        self._server: Server | None = None
        self._variables: list[list[Variable]] = []
        self._tasks: tuple[asyncio.Task[None], ...] = ()

    @property
    def endpoint(self) -> str:
        """Address for a client, known after `start`."""
        return f"opc.tcp://{self.host}:{self.port}/"

    @property
    def trap_hits(self) -> int:
        """Write requests received: 0 in every run of the gateway."""
        return self.requests["write"]

    @property
    def connections(self) -> int:
        """Clients connected now."""
        return 0 if self._server is None else len(self._server.iserver.asyncio_transports)

    async def start(self) -> None:
        """Build the address space and listen. Raises ServeError when the address is taken, ValueError when two signals name one node."""
        if self._server is not None:
            return
        check_nodes([device.map for device in self.devices])
        try:
            self.port = _free_port(self.host, self.port)
        except OSError as error:
            raise self._taken(error) from error
        logging.getLogger("asyncua").setLevel(logging.CRITICAL)
        server = Server()
        await server.init()
        server.set_server_name("Simulated starters")
        server.set_endpoint(self.endpoint)
        server.set_security_policy([ua.SecurityPolicyType.NoSecurity])
        # The library's own clock cannot be frozen, and a stop waits a second for it.
        server.disable_clock()
        for uri in self.extra_namespaces:
            await server.register_namespace(uri)
        self._variables = [await self._build(server, device) for device in self.devices]
        self._count_requests(server)
        self._take_writes(server)
        self._server = server
        await self.publish()
        try:
            await server.start()
        except OSError as error:
            self._server = None
            raise self._taken(error) from error
        tasks = [asyncio.create_task(self._run_clock(server), name="opcua simulator clock")]
        if self.update_s is not None:
            tasks.append(asyncio.create_task(self._update(self.update_s), name="opcua simulator updates"))
        self._tasks = tuple(tasks)

    def _taken(self, error: OSError) -> ServeError:
        return ServeError(f"cannot serve a simulated device on {self.endpoint}: {error.strerror or error}")

    async def stop(self) -> None:
        """End the server and every session; nothing is left behind. Safe to call twice."""
        tasks, self._tasks = self._tasks, ()
        for task in tasks:
            task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await task
        server, self._server = self._server, None
        if server is not None:
            # Sessions whose connection was cut live on in the library until their timeout, and it offers no way to list them.
            for session in tuple(vars(server.iserver)["_external_sessions"].values()):
                await session.close_session()
            await server.stop()
            # The library closes its listener and its connections by callbacks of the next turns.
            for _ in range(5):
                await asyncio.sleep(0)

    async def cut(self) -> None:
        """Reset every connection without a goodbye; the server goes on listening."""
        if self._server is not None:
            for transport in tuple(self._server.iserver.asyncio_transports):
                transport.abort()
            await asyncio.sleep(0)

    async def kill(self) -> None:
        """End without a goodbye, as at a power cut; `start` brings it back on the same port."""
        await self.cut()
        await self.stop()

    async def __aenter__(self) -> OpcuaServer:
        await self.start()
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.stop()

    async def publish(self) -> None:
        """Take every device's values now and write those that it has measured anew."""
        server = self._server
        if server is None or self.frozen:
            return
        for device, variables in zip(self.devices, self._variables, strict=True):
            values, measured_s = device.source.sample()
            at = _EPOCH + timedelta(seconds=measured_s)
            for variable in variables:
                if variable.last is not None and variable.signal.role is None and variable.signal.key in self.writable:
                    # What a client has written stands; the device has nothing of its own there.
                    continue
                data = self._data_value(variable, device.source.answers, values, at)
                if data is not None:
                    await server.write_attribute_value(variable.node.nodeid, data)

    def _data_value(self, variable: Variable, answers: bool, values: Mapping[str, Value], at: ua.DateTime) -> ua.DataValue | None:
        key = variable.signal.key
        status = self.statuses.get(key, StatusCodes.Good if answers else StatusCodes.BadNotConnected)
        content = variant_of(variable, values.get(key))
        if content is None and status == StatusCodes.Good:
            status = StatusCodes.BadNoData
        now = (content, status, at)
        last = variable.last
        if last == now or (self.stamps_changes and last is not None and last[:2] == now[:2]):
            return None
        variable.last = now
        return ua.DataValue(
            Value=content if content is not None else ua.Variant(None, ua.VariantType.Null),
            StatusCode=ua.StatusCode(ua.UInt32(status)),
            SourceTimestamp=at if self.source_times else None,
            ServerTimestamp=ua.DateTime.now(UTC),
        )

    async def _run_clock(self, server: Server) -> None:
        while True:
            if not self.frozen:
                now = ua.DateTime.now(UTC)
                status = await server.iserver.server_status_node.read_value()
                status.CurrentTime = now
                await server.iserver.server_status_node.write_value(status)
                await server.iserver.current_time_node.write_value(now)
            await asyncio.sleep(1.0)

    async def _update(self, period_s: float) -> None:
        loop = asyncio.get_running_loop()
        due = loop.time()
        while True:
            await self.publish()
            due = max(due + period_s, loop.time())
            await asyncio.sleep(due - loop.time())

    async def _build(self, server: Server, device: Device) -> list[Variable]:
        signals = [signal for signal in device.map.signals if signal.key not in self.removed]
        values, _ = device.source.sample()
        variables = await build_variables(server, signals, device.map.name, values)
        for variable in variables:
            if variable.signal.key in self.writable:
                await variable.node.set_writable()
        return variables

    def _take_writes(self, server: Server) -> None:
        """Pass every value that a client has written on to its taker."""

        async def written(event: object, _: object) -> None:
            if not isinstance(event, ServerItemCallback) or not event.is_external:
                return
            takers = {each.node.nodeid: self.writable.get(each.signal.key) for device in self._variables for each in device}
            for node, result in zip(event.request_params.NodesToWrite, event.response_params, strict=True):
                taker = takers.get(node.NodeId)
                if taker is not None and result.is_good() and node.Value.Value is not None:
                    taker(bool(node.Value.Value.Value))

        server.subscribe_server_callback(CallbackType.PostWrite, written)

    def _count_requests(self, server: Server) -> None:
        for kind, name in (
            (CallbackType.PreRead, "read"),
            (CallbackType.PreWrite, "write"),
            (CallbackType.ItemSubscriptionCreated, "subscribe"),
        ):
            server.subscribe_server_callback(kind, self._counter(name))

    def _counter(self, name: str) -> Callable[[object, object], Awaitable[None]]:
        async def count(event: object, _: object) -> None:
            if getattr(event, "is_external", True):
                self.requests[name] += 1

        return count


def _free_port(host: str, port: int) -> int:
    """Return the port if it is free, any free one for 0; OSError when it is taken.

    This is found out before the address space is built, which takes a second.
    """
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        probe.bind((host, port))
        probe.listen()
        free: int = probe.getsockname()[1]
        return free
