"""An OPC UA server for tests, and a TCP relay in front of it that can stand still or be cut."""

from __future__ import annotations

import asyncio
import pickle
import socket
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

from asyncua import Server, ua
from asyncua.common.node import Node
from asyncua.crypto.permission_rules import User, UserRole
from asyncua.crypto.validator import CertificateValidator
from asyncua.server.address_space import NodeData
from asyncua.server.internal_server import InternalServer

PLANT = "urn:example:tarn-hollow"
OTHER = "urn:example:other"


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


_KEPT_CLASSES = {ua.NodeClass.ReferenceType, ua.NodeClass.ObjectType, ua.NodeClass.VariableType}
_KEPT_FOLDERS = {
    ua.ObjectIds.RootFolder,
    ua.ObjectIds.TypesFolder,
    ua.ObjectIds.ViewsFolder,
    ua.ObjectIds.ObjectTypesFolder,
    ua.ObjectIds.DataTypesFolder,
    ua.ObjectIds.BaseDataType,
}
_standard_nodes: list[bytes] = []


class _QuickServer(InternalServer):
    """A server whose standard nodes are made once in a test run: the types, and what lies under Root and Objects."""

    async def load_standard_address_space(self, shelf_file: Path | None = None) -> None:
        if not _standard_nodes:
            await super().load_standard_address_space(shelf_file)
            _standard_nodes.append(pickle.dumps(_pruned(self.aspace._nodes), pickle.HIGHEST_PROTOCOL))
        self.aspace._nodes = pickle.loads(_standard_nodes[0])


def _pruned(nodes: dict[ua.NodeId, NodeData]) -> dict[ua.NodeId, NodeData]:
    """Drop the several thousand nodes that describe types in detail; loading them would take longer than the tests."""
    kept = {each for each, data in nodes.items() if data.attributes[ua.AttributeIds.NodeClass].value.Value.Value in _KEPT_CLASSES}
    kept |= {each for each in nodes if each.Identifier in _KEPT_FOLDERS}
    waiting = [ua.NodeId(ua.ObjectIds.ObjectsFolder)]
    while waiting:
        each = waiting.pop()
        if each in nodes and each not in kept:
            kept.add(each)
            waiting += [reference.NodeId for reference in nodes[each].references if reference.IsForward]
    for each in kept:
        nodes[each].references = [reference for reference in nodes[each].references if reference.NodeId in kept]
    return {each: data for each, data in nodes.items() if each in kept}


@dataclass
class Plant:
    """A running server: `variables` by name, all in the namespace PLANT."""

    server: Server
    endpoint: str
    variables: dict[str, Node]

    async def put(self, name: str, value: object, *, status: int = 0, source: datetime | None = None, stamped: bool = True) -> None:
        stamp = (source or datetime.now(UTC)) if stamped else None
        variant = ua.Variant(value, ua.VariantType.Double) if isinstance(value, float) else ua.Variant(value)
        await self.variables[name].write_value(ua.DataValue(variant, StatusCode=ua.StatusCode(status), SourceTimestamp=stamp))

    async def freeze(self) -> None:
        """Stop the server's own clock, as a hung server does."""
        await stop_clock(self.server)


async def stop_clock(server: Server) -> None:
    task, server.iserver.time_task = server.iserver.time_task, None
    if task is not None:
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task


SERVER_URI = "urn:example:tarn-hollow:server"


@dataclass
class Protection:
    """How a test server protects its connections: its certificate, the policies it offers, who may log in.

    trusts: a check of client certificates. users: passwords by name; given, nobody comes in anonymously.
    """

    certificate: Path
    key: Path
    policies: Sequence[ua.SecurityPolicyType] = (ua.SecurityPolicyType.Basic256Sha256_SignAndEncrypt,)
    trusts: CertificateValidator | None = None
    users: dict[str, str] | None = None
    user_certificates: Sequence[bytes] = ()


class _Users:
    """Lets in who is in the list."""

    def __init__(self, protection: Protection | None) -> None:
        self._protection = protection

    def get_user(
        self, iserver: object, username: str | None = None, password: str | None = None, certificate: bytes | None = None
    ) -> User | None:
        protection = self._protection
        if protection is None or (protection.users is None and not protection.user_certificates):
            return User(role=UserRole.User)
        known = username is not None and (protection.users or {}).get(username) == password
        known = known or certificate in protection.user_certificates
        return User(role=UserRole.User) if known else None


async def _protect(server: Server, protection: Protection) -> None:
    await server.set_application_uri(SERVER_URI)
    await server.load_certificate(protection.certificate)
    await server.load_private_key(protection.key)
    server.set_security_policy(list(protection.policies))
    if protection.trusts is not None:
        server.set_certificate_validator(protection.trusts)
    if protection.users is not None:
        server.set_identity_tokens([ua.UserNameIdentityToken])
    if protection.user_certificates:
        server.set_identity_tokens([ua.X509IdentityToken])


@asynccontextmanager
async def serving(
    port: int,
    names: dict[str, object],
    *,
    foreign: Sequence[str] = (),
    ticking: bool = True,
    protection: Protection | None = None,
    host: str = "127.0.0.1",
) -> AsyncIterator[Plant]:
    """Serve variables `names` with their values; `foreign` namespaces come before PLANT, each with variables of the same names."""
    server = Server(iserver=_QuickServer(user_manager=_Users(protection)))
    await server.init()
    if not ticking:
        server.disable_clock()
    endpoint = f"opc.tcp://{host}:{port}/plant"
    server.set_endpoint(endpoint)
    server.set_security_policy([ua.SecurityPolicyType.NoSecurity])
    if protection is not None:
        await _protect(server, protection)
    for uri in foreign:
        index = await server.register_namespace(uri)
        folder = await server.nodes.objects.add_object(index, "Fan")
        for name in names:
            await folder.add_variable(ua.NodeId(name, index), ua.QualifiedName(name, index), 999.0)
    index = await server.register_namespace(PLANT)
    folder = await server.nodes.objects.add_object(index, "Fan")
    variables = {
        name: await folder.add_variable(ua.NodeId(name, index), ua.QualifiedName(name, index), value) for name, value in names.items()
    }
    await server.start()
    try:
        yield Plant(server, endpoint, variables)
    finally:
        await stop_clock(server)
        await server.stop()
        # Sessions whose client is gone would live on in the loop until they time out.
        for session in list(server.iserver._external_sessions.values()):
            await session.close_session(True)


def ago(duration_s: float) -> datetime:
    return datetime.now(UTC) - timedelta(seconds=duration_s)


@dataclass
class Relay:
    """Passes bytes both ways until told to stand still (nothing passes, nothing is closed) or to cut."""

    target_port: int
    port: int = 0
    _flowing: asyncio.Event = field(default_factory=asyncio.Event)
    _server: asyncio.Server | None = None
    _tasks: set[asyncio.Task[None]] = field(default_factory=set)
    _writers: set[asyncio.StreamWriter] = field(default_factory=set)

    async def __aenter__(self) -> Relay:
        self._flowing.set()
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", 0)
        self.port = self._server.sockets[0].getsockname()[1]
        return self

    async def __aexit__(self, *ignored: object) -> None:
        assert self._server is not None
        self._server.close()
        self.cut()
        for task in list(self._tasks):
            task.cancel()
            with suppress(asyncio.CancelledError):
                await task

    def stand_still(self) -> None:
        self._flowing.clear()

    def flow(self) -> None:
        self._flowing.set()

    def cut(self) -> None:
        for writer in self._writers:
            writer.transport.abort()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._tasks.add(task)
        try:
            far_reader, far_writer = await asyncio.open_connection("127.0.0.1", self.target_port)
            self._writers |= {writer, far_writer}
            async with asyncio.TaskGroup() as group:
                group.create_task(self._pass_on(reader, far_writer))
                group.create_task(self._pass_on(far_reader, writer))
        except* (OSError, asyncio.CancelledError):
            pass
        finally:
            self._tasks.discard(task)
            writer.transport.abort()

    async def _pass_on(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while data := await reader.read(65536):
            await self._flowing.wait()
            writer.write(data)
            await writer.drain()
        writer.transport.abort()
