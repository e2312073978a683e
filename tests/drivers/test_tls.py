"""Modbus/TCP Security against a server with certificates of every kind: the right ones are read through, each other is told in words."""

from __future__ import annotations

import asyncio
import ssl
from datetime import timedelta
from pathlib import Path

import pytest

from gateway.clock import HandClock, RealClock
from gateway.drivers.base import Attached, Fault, FaultKind
from gateway.drivers.modbus import ModbusLink
from gateway.drivers.tls import client_context
from gateway.instants import from_datetime
from gateway.motors.records import Pace
from gateway.registers.model import ModbusPlace, Protocol, RegisterMap, Signal, Span, Table, WordType
from gateway.site import TlsFiles
from tests.drivers.authority import NOW, Authority, Signed
from tests.drivers.wire import RawServer

PLACE = ModbusPlace(span=Span(Table.HOLDING, 10, 10), written="")
MAP = RegisterMap(
    name="one",
    protocol=Protocol.MODBUS,
    signals=(Signal(name="current", key="current", role=None, place=PLACE, type=WordType.UINT16),),
    timeout_s=10.0,
)


@pytest.fixture
def authority(tmp_path: Path) -> Authority:
    return Authority(tmp_path)


def server_context(signed: Signed, authority: Authority | None = None) -> ssl.SSLContext:
    """Return a device's settings; with an authority it asks for a certificate that this one signed."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(signed.pem, signed.key_pem)
    if authority is not None:
        context.verify_mode = ssl.CERT_REQUIRED
        context.load_verify_locations(authority.pem)
    return context


def link_to(server: RawServer, files: TlsFiles, clock: HandClock | RealClock | None = None, host: str = "127.0.0.1") -> ModbusLink:
    return ModbusLink(host, server.port, [Attached(starter="fan", map=MAP)], clock or RealClock(), tls=files)


async def refusal(context: ssl.SSLContext | None, files: TlsFiles, host: str = "127.0.0.1") -> str:
    async with RawServer(tls=context) as server:
        link = link_to(server, files, host=host)
        fault = await link.open()
        if fault is None:
            # A device may refuse a certificate only after the handshake; then the first request is told.
            fault = (await link.poll("fan", Pace.RUNNING)).faults[0]
        assert not link.is_open
        assert (await link.poll("fan", Pace.RUNNING)).faults[0] == fault
        await link.close()
        assert server.requests == []
    assert isinstance(fault, Fault)
    assert fault.breaks_link
    assert fault.kind in (FaultKind.SECURITY, FaultKind.CLOSED)
    return fault.text


@pytest.mark.parametrize("version", [ssl.TLSVersion.TLSv1_2, ssl.TLSVersion.TLSv1_3])
async def test_a_device_is_read_through_an_encrypted_connection(authority: Authority, version: ssl.TLSVersion) -> None:
    own = authority.sign("gateway", number=2, is_server=False)
    context = server_context(authority.sign("device"), authority)
    context.maximum_version = version
    async with RawServer(tls=context) as server:
        link = link_to(server, TlsFiles(trust=authority.pem, certificate=own.pem, key=own.key_pem))
        assert await link.open() is None
        assert link.notes == ()
        for _ in range(3):
            assert (await link.poll("fan", Pace.RUNNING)).readings[0].values["current"] == 1010
        await link.close()
    assert server.connections == 1


async def test_a_devices_own_certificate_may_be_trusted_by_itself(authority: Authority) -> None:
    device = authority.sign("device")
    async with RawServer(tls=server_context(device)) as server:
        link = link_to(server, TlsFiles(trust=device.pem))
        assert await link.open() is None
        await link.close()


async def test_another_name_in_the_certificate_can_be_given(authority: Authority) -> None:
    async with RawServer(tls=server_context(authority.sign("device", hosts=("starter-7.plant.example",)))) as server:
        link = link_to(server, TlsFiles(trust=authority.pem, name="starter-7.plant.example"))
        assert await link.open() is None
        await link.close()


async def test_an_expired_certificate_is_refused(authority: Authority) -> None:
    device = authority.sign("device", begins=timedelta(days=-30), ends=timedelta(days=-2))
    assert "has expired" in await refusal(server_context(device), TlsFiles(trust=authority.pem))


async def test_a_certificate_of_the_future_is_refused(authority: Authority) -> None:
    device = authority.sign("device", begins=timedelta(days=2))
    assert "not valid yet" in await refusal(server_context(device), TlsFiles(trust=authority.pem))


async def test_an_untrusted_certificate_is_refused(authority: Authority, tmp_path: Path) -> None:
    other = Authority(tmp_path, "another authority", 3)
    assert "is not trusted" in await refusal(server_context(other.sign("device")), TlsFiles(trust=authority.pem))


@pytest.mark.parametrize("hosts", [("10.9.9.9",), ("starter-7.plant.example",)])
async def test_a_certificate_for_another_host_is_refused(authority: Authority, hosts: tuple[str, ...]) -> None:
    text = await refusal(server_context(authority.sign("device", hosts=hosts)), TlsFiles(trust=authority.pem))
    assert "not made out to 127.0.0.1" in text


async def test_a_revoked_certificate_is_refused(authority: Authority, tmp_path: Path) -> None:
    device, healthy = authority.sign("device"), authority.sign("healthy", number=2)
    trust = tmp_path / "trust.pem"
    trust.write_bytes(authority.pem.read_bytes() + authority.revocations(device))
    assert "revoked" in await refusal(server_context(device), TlsFiles(trust=trust))
    async with RawServer(tls=server_context(healthy)) as server:
        link = link_to(server, TlsFiles(trust=trust))
        assert await link.open() is None
        await link.close()


@pytest.mark.parametrize(
    ("alert", "words"),
    # TLS alerts (RFC 8446, 6): 40 handshake_failure, 42 bad_certificate, 44 certificate_revoked, 45 certificate_expired, 48 unknown_ca,
    # 70 protocol_version, 116 certificate_required.
    [
        (40, "wants a certificate of the gateway"),
        (42, "does not accept the gateway's certificate"),
        (44, "the gateway's certificate has been revoked"),
        (45, "the gateway's certificate has expired"),
        (48, "does not trust the gateway's certificate"),
        (70, "older than TLS 1.2"),
        (116, "wants a certificate of the gateway"),
    ],
)
async def test_what_a_device_answers_to_the_handshake_is_told_in_words(authority: Authority, alert: int, words: str) -> None:
    assert words in await opening(bytes([0x15, 3, 3, 0, 2, 2, alert]), authority)


async def opening(answer: bytes, authority: Authority) -> str:
    """Open against a server that answers the first bytes of a handshake so and closes."""

    async def reply(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        assert (await reader.read(1000))[:1] == b"\x16"
        writer.write(answer)
        writer.close()

    server = await asyncio.start_server(reply, "127.0.0.1", 0)
    port = server.sockets[0].getsockname()[1]
    link = ModbusLink("127.0.0.1", port, [Attached(starter="fan", map=MAP)], RealClock(), tls=TlsFiles(trust=authority.pem))
    fault = await link.open()
    await link.close()
    server.close()
    assert fault is not None
    assert fault.kind is FaultKind.SECURITY
    return fault.text


async def test_the_gateway_itself_offers_nothing_older_than_1_2(authority: Authority) -> None:
    context = client_context(TlsFiles(trust=authority.pem))
    assert isinstance(context, ssl.SSLContext)
    assert context.minimum_version is ssl.TLSVersion.TLSv1_2
    assert context.verify_mode is ssl.CERT_REQUIRED
    assert context.check_hostname


async def test_a_plain_device_is_told_and_never_asked(authority: Authority) -> None:
    assert "speaks plain Modbus at this port" in await opening(b"", authority)
    assert "answers without encryption" in await opening(bytes.fromhex("0001 0000 0003 01 83 01"), authority)


@pytest.mark.parametrize("version", [ssl.TLSVersion.TLSv1_2, ssl.TLSVersion.TLSv1_3])
async def test_a_device_that_wants_a_certificate_says_so(authority: Authority, version: ssl.TLSVersion) -> None:
    context = server_context(authority.sign("device"), authority)
    context.maximum_version = version
    text = await refusal(context, TlsFiles(trust=authority.pem))
    assert "certificate" in text
    assert "gateway" in text


async def test_a_device_that_does_not_trust_the_gateway_says_so(authority: Authority, tmp_path: Path) -> None:
    stranger = Authority(tmp_path, "another authority", 3).sign("gateway", number=4)
    context = server_context(authority.sign("device"), authority)
    text = await refusal(context, TlsFiles(trust=authority.pem, certificate=stranger.pem, key=stranger.key_pem))
    assert "the gateway's certificate" in text


async def test_files_that_cannot_be_used_are_named(authority: Authority, tmp_path: Path) -> None:
    empty, own = tmp_path / "empty.pem", authority.sign("gateway", number=2)
    empty.write_text("nothing\n")
    device, other_key = server_context(authority.sign("device")), authority.sign("other", number=4).key_pem
    files = {
        "none.pem cannot be used: No such file": TlsFiles(trust=tmp_path / "none.pem"),
        "empty.pem cannot be used": TlsFiles(trust=empty),
        "none.pem cannot be read": TlsFiles(trust=authority.pem, certificate=tmp_path / "none.pem", key=own.key_pem),
        "holds no certificate": TlsFiles(trust=authority.pem, certificate=empty, key=own.key_pem),
        "do not belong together": TlsFiles(trust=authority.pem, certificate=own.pem, key=other_key),
        "the key is encrypted": TlsFiles(trust=authority.pem, certificate=own.pem, key=own.encrypted_key_pem),
    }
    for words, each in files.items():
        assert words in await refusal(device, each)


@pytest.mark.parametrize(("days", "words"), [(31, ""), (29, "within 30 days"), (6, "within 7 days"), (0.9, "within a day")])
async def test_certificates_that_expire_soon_are_told_ahead(authority: Authority, days: float, words: str) -> None:
    device = authority.sign("device", ends=timedelta(days=days, hours=1))
    own = authority.sign("gateway", number=2, ends=timedelta(days=days, hours=1))
    clock = HandClock(from_datetime(NOW + timedelta(hours=1)))
    async with RawServer(tls=server_context(device)) as server:
        link = link_to(server, TlsFiles(trust=authority.pem, certificate=own.pem, key=own.key_pem), clock)
        assert await link.open() is None
        notes = link.notes
        await link.close()
    assert len(notes) == (2 if words else 0)
    assert all(words in note for note in notes)
