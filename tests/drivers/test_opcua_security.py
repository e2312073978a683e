"""Protected OPC UA connections (F22): read through with the right certificates, refused in words with any other; nothing falls back."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from asyncua import ua
from asyncua.crypto.truststore import TrustStore
from asyncua.crypto.validator import CertificateValidator, CertificateValidatorOptions
from cryptography.hazmat.primitives.serialization import Encoding

from gateway.clock import HandClock, RealClock
from gateway.drivers.base import Attached, FaultKind
from gateway.drivers.opcua import OpcuaLink
from gateway.drivers.own_certificate import make_certificate
from gateway.instants import from_datetime
from gateway.motors.records import Pace
from gateway.registers.model import Fetch, Protocol, RegisterMap
from gateway.site import OpcuaSecurity, SecurityPolicy
from tests.drivers.authority import NOW, Authority, Signed
from tests.drivers.opcua_server import SERVER_URI, Protection, free_port, serving
from tests.drivers.test_opcua import VALUES, signal

MAP = RegisterMap(
    name="sketch", protocol=Protocol.OPCUA, signals=(signal("current"), signal("running", fetch=Fetch.SUBSCRIBE)), timeout_s=10.0
)
TYPES = {
    SecurityPolicy.BASIC256SHA256: ua.SecurityPolicyType.Basic256Sha256_SignAndEncrypt,
    SecurityPolicy.AES128_SHA256_RSAOAEP: ua.SecurityPolicyType.Aes128Sha256RsaOaep_SignAndEncrypt,
    SecurityPolicy.AES256_SHA256_RSAPSS: ua.SecurityPolicyType.Aes256Sha256RsaPss_SignAndEncrypt,
}


class Bench:
    """The gateway's folder of certificates, and an authority that it trusts."""

    def __init__(self, folder: Path) -> None:
        (folder / "authority").mkdir()
        self.authority = Authority(folder / "authority")
        self.security = OpcuaSecurity(folder=folder / "certificates")
        make_certificate(self.security, from_datetime(NOW))
        self.trust(self.authority.pem.read_bytes())

    def trust(self, content: bytes, file: str = "authority.pem") -> None:
        (self.security.trusted / file).write_bytes(content)

    def server(self, **particulars: Any) -> Signed:
        """Return a server's certificate, right in everything that the particulars do not change."""
        return self.authority.sign("server", **{"uri": SERVER_URI, **particulars})


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path)


def link_to(port: int, security: OpcuaSecurity | None, clock: HandClock | RealClock | None = None) -> OpcuaLink:
    endpoint = f"opc.tcp://127.0.0.1:{port}/plant"
    return OpcuaLink(endpoint, [Attached(starter="fan", map=MAP)], clock or RealClock(), security)


async def refusal(protection: Protection | None, security: OpcuaSecurity | None) -> str:
    """Try to open; return the words of the refusal, having seen that nothing was read."""
    port = free_port()
    async with serving(port, VALUES, protection=protection):
        link = link_to(port, security)
        fault = await link.open()
        assert not link.is_open
        assert not (await link.poll("fan", Pace.RUNNING)).readings[-1].has_data
        await link.close()
    assert fault is not None
    assert fault.kind is FaultKind.SECURITY, fault
    assert fault.breaks_link
    return fault.text


async def is_read(protection: Protection, security: OpcuaSecurity) -> OpcuaLink:
    port = free_port()
    async with serving(port, VALUES, protection=protection):
        link = link_to(port, security)
        fault = await link.open()
        assert fault is None, fault
        assert dict((await link.poll("fan", Pace.SLOW)).readings[-1].values) == {"current": 41.5, "running": True}
        await link.close()
    return link


def offered(server: Signed, **particulars: Any) -> Protection:
    return Protection(server.pem, server.key_pem, **particulars)


@pytest.mark.parametrize("policy", list(SecurityPolicy))
async def test_values_are_read_signed_and_encrypted(bench: Bench, policy: SecurityPolicy) -> None:
    security = OpcuaSecurity(folder=bench.security.folder, policy=policy)
    link = await is_read(offered(bench.server(), policies=(TYPES[policy],)), security)
    assert link.notes == ()


async def test_a_servers_own_certificate_may_be_trusted_by_itself(bench: Bench) -> None:
    server = bench.server()
    (bench.security.trusted / "authority.pem").unlink()
    bench.trust(server.certificate.public_bytes(Encoding.DER), "server.der")
    await is_read(offered(server), bench.security)


@pytest.mark.parametrize("is_protected", [False, True])
async def test_without_protection_only_by_the_plain_word(bench: Bench, is_protected: bool) -> None:
    if is_protected:
        assert "no unencrypted endpoint" in await refusal(offered(bench.server()), None)
    else:
        text = await refusal(None, bench.security)
        assert "offers no signed and encrypted connection with Basic256Sha256; it offers None None_" in text


async def test_another_policy_is_named(bench: Bench) -> None:
    security = OpcuaSecurity(folder=bench.security.folder, policy=SecurityPolicy.AES256_SHA256_RSAPSS)
    text = await refusal(offered(bench.server()), security)
    assert "it offers Basic256Sha256 SignAndEncrypt" in text


async def test_a_server_that_only_signs_is_refused(bench: Bench) -> None:
    text = await refusal(offered(bench.server(), policies=(ua.SecurityPolicyType.Basic256Sha256_Sign,)), bench.security)
    assert "it offers Basic256Sha256 Sign" in text


async def test_an_expired_certificate_is_refused(bench: Bench) -> None:
    server = bench.server(begins=timedelta(days=-40), ends=timedelta(days=-2))
    assert "the server's certificate expired on" in await refusal(offered(server), bench.security)


async def test_a_certificate_of_the_future_is_refused(bench: Bench) -> None:
    assert "is valid only from" in await refusal(offered(bench.server(begins=timedelta(days=2))), bench.security)


async def test_an_untrusted_certificate_is_refused(bench: Bench, tmp_path: Path) -> None:
    stranger = Authority(tmp_path, "another authority", 3).sign("server", uri=SERVER_URI)
    text = await refusal(offered(stranger), bench.security)
    assert "the server's certificate (CN=server) is not trusted, or it has changed" in text
    assert str(bench.security.trusted) in text


async def test_a_changed_certificate_is_refused(bench: Bench) -> None:
    old, new = bench.server(), bench.server(number=4)
    (bench.security.trusted / "authority.pem").unlink()
    bench.trust(old.certificate.public_bytes(Encoding.PEM), "server.pem")
    await is_read(offered(old), bench.security)
    assert "or it has changed" in await refusal(offered(new), bench.security)


async def test_a_revoked_certificate_is_refused(bench: Bench) -> None:
    server = bench.server()
    (bench.security.revoked / "authority.pem").write_bytes(bench.authority.revocations(server))
    assert "has been revoked" in await refusal(offered(server), bench.security)


async def test_a_certificate_for_another_host_is_refused_unless_the_application_is_named(bench: Bench) -> None:
    server = bench.server(hosts=("plc-7.plant.example",))
    assert "does not name the host 127.0.0.1" in await refusal(offered(server), bench.security)
    await is_read(offered(server), OpcuaSecurity(folder=bench.security.folder, server_uri=SERVER_URI))


async def test_a_certificate_of_another_application_is_refused(bench: Bench) -> None:
    text = await refusal(offered(bench.server(uri="urn:example:somebody-else")), bench.security)
    assert "made out to another application: urn:example:somebody-else" in text
    named = OpcuaSecurity(folder=bench.security.folder, server_uri="urn:example:wanted")
    assert "not urn:example:wanted" in await refusal(offered(bench.server()), named)


async def test_a_certificate_that_is_not_for_a_server_is_refused(bench: Bench) -> None:
    assert "not made for this" in await refusal(offered(bench.server(is_server=False)), bench.security)


async def test_an_empty_or_broken_trust_folder_is_named(bench: Bench) -> None:
    bench.trust(b"nothing", "authority.pem")
    assert "cannot be read" in await refusal(offered(bench.server()), bench.security)
    (bench.security.trusted / "authority.pem").unlink()
    assert "no server is trusted yet" in await refusal(offered(bench.server()), bench.security)


async def test_the_gateways_own_certificate_is_missing_expired_or_broken(bench: Bench) -> None:
    server = offered(bench.server())
    make_certificate(bench.security, from_datetime(NOW - timedelta(days=100)), days=30)
    assert "the gateway's own certificate expired on" in await refusal(server, bench.security)
    make_certificate(bench.security, from_datetime(NOW + timedelta(days=100)))
    assert "not valid yet" in await refusal(server, bench.security)
    bench.security.certificate.write_text("nothing")
    assert "holds no certificate" in await refusal(server, bench.security)
    make_certificate(bench.security, from_datetime(NOW))
    bench.security.key.write_text("nothing")
    assert "cannot be used" in await refusal(server, bench.security)
    bench.security.key.unlink()
    assert "make one with `startledger certificate SITE`" in await refusal(server, bench.security)


async def test_a_server_that_does_not_trust_the_gateway_is_told(bench: Bench) -> None:
    store = TrustStore([bench.security.trusted], [])
    await store.load()
    validator = CertificateValidator(
        CertificateValidatorOptions.TRUSTED_VALIDATION | CertificateValidatorOptions.PEER_CLIENT, store
    )
    text = await refusal(offered(bench.server(), trusts=validator), bench.security)
    assert "the server does not accept the gateway's certificate: load it into the server and trust it there" in text
    own = bench.security.certificate.read_bytes()
    bench.trust(own, "gateway.pem")
    await store.load()
    await is_read(offered(bench.server(), trusts=validator), bench.security)


async def test_a_user_logs_in_with_a_password_from_a_file_or_the_environment(
    bench: Bench, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    protection = offered(bench.server(), users={"reader": "Löwe-17"})
    file = tmp_path / "password"
    file.write_text("Löwe-17\nand a note\n", encoding="utf-8")
    folder = bench.security.folder
    await is_read(protection, OpcuaSecurity(folder=folder, user="reader", password_file=file))
    monkeypatch.setenv("PLANT_OPCUA", "Löwe-17")
    await is_read(protection, OpcuaSecurity(folder=folder, user="reader", password_variable="PLANT_OPCUA"))
    file.write_text("wrong")
    words = "does not accept the user: check name and password"
    assert words in await refusal(protection, OpcuaSecurity(folder=folder, user="reader", password_file=file))
    assert words in await refusal(protection, OpcuaSecurity(folder=folder, user="stranger", password_variable="PLANT_OPCUA"))
    assert "it wants a user or a certificate" in await refusal(protection, bench.security)
    missing = OpcuaSecurity(folder=folder, user="reader", password_file=tmp_path / "none")
    assert "the password file" in await refusal(protection, missing)
    unset = OpcuaSecurity(folder=folder, user="reader", password_variable="PLANT_NOT_SET")
    assert "PLANT_NOT_SET with the password is not set" in await refusal(protection, unset)
    assert "Löwe-17" not in caplog.text


async def test_a_user_logs_in_with_a_certificate(bench: Bench) -> None:
    user, stranger = bench.authority.sign("reader", number=5), bench.authority.sign("stranger", number=6)
    protection = offered(bench.server(), user_certificates=[user.certificate.public_bytes(Encoding.DER)])
    folder = bench.security.folder
    await is_read(protection, OpcuaSecurity(folder=folder, user_certificate=user.pem, user_key=user.key_pem))
    other = OpcuaSecurity(folder=folder, user_certificate=stranger.pem, user_key=stranger.key_pem)
    assert "does not accept the user" in await refusal(protection, other)
    missing = OpcuaSecurity(folder=folder, user_certificate=folder / "none.pem", user_key=user.key_pem)
    assert "cannot be read" in await refusal(protection, missing)


@pytest.mark.parametrize(("days", "words"), [(31, ""), (29, "within 30 days"), (6, "within 7 days"), (0.9, "within a day")])
async def test_certificates_that_expire_soon_are_told_ahead(bench: Bench, days: float, words: str) -> None:
    port, server = free_port(), bench.server(ends=timedelta(days=days, hours=1))
    clock = HandClock(from_datetime(NOW + timedelta(hours=1)))
    async with serving(port, VALUES, protection=offered(server)):
        link = link_to(port, bench.security, clock)
        assert await link.open() is None
        notes = link.notes
        await link.close()
    assert [words in note and "the server's certificate" in note for note in notes] == ([True] if words else [])


async def test_the_own_certificate_that_expires_soon_is_told_ahead(bench: Bench) -> None:
    make_certificate(bench.security, from_datetime(NOW), days=6)
    link = await is_read(offered(bench.server()), bench.security)
    (note,) = link.notes
    assert "the gateway's certificate expires within 7 days" in note


def test_the_key_is_its_owners_alone_and_the_folders_are_there(bench: Bench) -> None:
    assert bench.security.key.stat().st_mode & 0o777 == 0o600
    assert bench.security.trusted.is_dir()
    assert bench.security.revoked.is_dir()
