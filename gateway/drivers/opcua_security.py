"""A signed and encrypted OPC UA channel, or the reason why there is none.

The server's certificate is looked at before anything is sent through it: dates, trust, revocation, host and application URI (OPC 10000-4,
6.1.3). Nothing falls back: without a channel that fits there is no connection.
"""

from __future__ import annotations

import ipaddress
import os
from pathlib import Path
from typing import Any

from asyncua import ua
from asyncua.client.client import Client
from asyncua.crypto import security_policies
from asyncua.crypto.truststore import TrustStore
from asyncua.crypto.uacrypto import CertProperties
from asyncua.crypto.validator import CertificateValidator, CertificateValidatorOptions
from cryptography import x509
from cryptography.hazmat.primitives.serialization import Encoding

from gateway.drivers.certificates import CertificateError, expires_at, read_certificate
from gateway.instants import Instant, from_datetime, to_iso
from gateway.site import OpcuaSecurity, SecurityPolicy

# The library declares its base of policies abstract, which a type checker takes for a class that may not be handed on.
_POLICIES: dict[SecurityPolicy, Any] = {
    SecurityPolicy.BASIC256SHA256: security_policies.SecurityPolicyBasic256Sha256,
    SecurityPolicy.AES128_SHA256_RSAOAEP: security_policies.SecurityPolicyAes128Sha256RsaOaep,
    SecurityPolicy.AES256_SHA256_RSAPSS: security_policies.SecurityPolicyAes256Sha256RsaPss,
}
_VALIDATION = CertificateValidatorOptions.TRUSTED_VALIDATION | CertificateValidatorOptions.PEER_SERVER


class SecurityRefusalError(Exception):
    """There will be no protected channel; the text says why and what to do."""


async def secure(client: Client, security: OpcuaSecurity, host: str, now: Instant) -> tuple[tuple[str, Instant], ...]:
    """Prepare a client to connect signed and encrypted; return when the certificates in use expire.

    Raises SecurityRefusalError, and what the library raises while it asks the server for its endpoints.
    """
    own = _own_certificate(security, now)
    client.application_uri = _application_uri(own)
    await _log_in(client, security)
    policy = _POLICIES[security.policy]
    endpoint = _endpoint(await client.connect_and_get_server_endpoints(), policy.URI)
    server = _first_of(endpoint.ServerCertificate)
    trust = await _trust_store(security)
    _check_server(server, endpoint.Server.ApplicationUri, host, security, trust, now)
    client.certificate_validator = CertificateValidator(_VALIDATION, trust)
    try:
        await client.set_security(
            policy,
            CertProperties(security.certificate, "pem"),
            CertProperties(security.key, "pem"),
            server_certificate=CertProperties(server.public_bytes(Encoding.DER), "der"),
        )
    except (ValueError, TypeError) as error:
        raise SecurityRefusalError(f"the gateway's key {security.key} cannot be used: {error}") from error
    return ("the server's certificate", expires_at(server)), ("the gateway's certificate", expires_at(own))


def _own_certificate(security: OpcuaSecurity, now: Instant) -> x509.Certificate:
    if not security.certificate.is_file() or not security.key.is_file():
        raise SecurityRefusalError(
            f"the gateway has no certificate in {security.certificate.parent}: make one with `startledger certificate SITE`, "
            "and let the server trust it"
        )
    try:
        own = read_certificate(security.certificate)
    except CertificateError as error:
        raise SecurityRefusalError(str(error)) from error
    if expires_at(own) <= now:
        on = to_iso(expires_at(own))[:10]
        raise SecurityRefusalError(f"the gateway's own certificate expired on {on}: renew it with `startledger certificate SITE --renew`")
    if from_datetime(own.not_valid_before_utc) > now:
        raise SecurityRefusalError("the gateway's own certificate is not valid yet: check the gateway's clock")
    return own


def _application_uri(own: x509.Certificate) -> str:
    uris = _names(own, x509.UniformResourceIdentifier)
    if not uris:
        raise SecurityRefusalError("the gateway's own certificate names no application URI: make one with `startledger certificate SITE`")
    return uris[0]


def _names(certificate: x509.Certificate, kind: type[x509.UniformResourceIdentifier] | type[x509.DNSName]) -> list[str]:
    try:
        names = certificate.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    except x509.ExtensionNotFound:
        return []
    return [str(name) for name in names.get_values_for_type(kind)]


async def _log_in(client: Client, security: OpcuaSecurity) -> None:
    if security.user:
        client.set_user(security.user)
        client.set_password(_password(security))
    elif security.user_certificate is not None and security.user_key is not None:
        try:
            await client.load_client_certificate(str(security.user_certificate))
            await client.load_private_key(security.user_key)
        except (OSError, ValueError, TypeError) as error:
            files = f"{security.user_certificate} and {security.user_key}"
            raise SecurityRefusalError(f"the user's certificate and key ({files}) cannot be read: {error}") from error


def _password(security: OpcuaSecurity) -> str:
    if security.password_file is None:
        password = os.environ.get(security.password_variable)
        if password is None:
            raise SecurityRefusalError(f"the environment variable {security.password_variable} with the password is not set")
        return password
    try:
        return next(iter(security.password_file.read_text(encoding="utf-8").splitlines()), "")
    except (OSError, UnicodeError) as error:
        reason = error.strerror if isinstance(error, OSError) else "it is no UTF-8 text"
        raise SecurityRefusalError(f"the password file {security.password_file} cannot be read: {reason}") from error


def _endpoint(endpoints: list[ua.EndpointDescription], uri: str) -> ua.EndpointDescription:
    for each in endpoints:
        is_wanted = each.SecurityMode == ua.MessageSecurityMode.SignAndEncrypt and each.SecurityPolicyUri == uri
        if is_wanted and each.EndpointUrl.startswith("opc.tcp://"):
            return each
    offered = sorted({f"{each.SecurityPolicyUri.rpartition('#')[2]} {each.SecurityMode.name}" for each in endpoints})
    raise SecurityRefusalError(
        f"the server offers no signed and encrypted connection with {uri.rpartition('#')[2]}; it offers {', '.join(offered) or 'nothing'}: "
        "switch it on at the server, or choose another `policy`"
    )


def _first_of(chain: bytes | None) -> x509.Certificate:
    """Return the server's own certificate, which stands first when it sends its signers' too."""
    if not chain or len(chain) < 4:
        raise SecurityRefusalError("the server offers an encrypted connection but shows no certificate")
    length = 4 + int.from_bytes(chain[2:4], "big") if chain[:2] == b"\x30\x82" else len(chain)
    try:
        return x509.load_der_x509_certificate(chain[:length])
    except ValueError as error:
        raise SecurityRefusalError(f"the server's certificate cannot be read: {error}") from error


async def _trust_store(security: OpcuaSecurity) -> TrustStore:
    store = TrustStore([_folder(security.trusted)], [security.revoked] if security.revoked.is_dir() else [])
    try:
        await store.load()
    except (OSError, ValueError, TypeError) as error:
        raise SecurityRefusalError(f"a file in {security.trusted} or {security.revoked} cannot be read: {error}") from error
    return store


def _folder(path: Path) -> Path:
    if not path.is_dir() or not any(path.iterdir()):
        raise SecurityRefusalError(f"no server is trusted yet: put the server's certificate, or that of its signer, into {path}")
    return path


def _check_server(
    server: x509.Certificate, stated_uri: str | None, host: str, security: OpcuaSecurity, trust: TrustStore, now: Instant
) -> None:
    if expires_at(server) <= now:
        raise SecurityRefusalError(f"the server's certificate expired on {to_iso(expires_at(server))[:10]}: renew it at the server")
    begins = from_datetime(server.not_valid_before_utc)
    if begins > now:
        raise SecurityRefusalError(f"the server's certificate is valid only from {to_iso(begins)[:10]} on: check the clocks")
    if trust.is_revoked(server):
        raise SecurityRefusalError("the server's certificate has been revoked: do not use this server until you know why")
    if not trust.is_trusted(server):
        name = server.subject.rfc4514_string() or f"serial number {server.serial_number:x}"
        raise SecurityRefusalError(
            f"the server's certificate ({name}) is not trusted, or it has changed: once you have checked it, put it, or that of its "
            f"signer, into {security.trusted}"
        )
    uris = _names(server, x509.UniformResourceIdentifier)
    wanted = security.server_uri or stated_uri or ""
    if wanted not in uris:
        found = ", ".join(uris) or "none"
        raise SecurityRefusalError(f"the server's certificate is made out to another application: {found}, not {wanted}")
    if not security.server_uri and not _names_host(server, host):
        raise SecurityRefusalError(
            f"the server's certificate does not name the host {host}: is this the right server? else give the application URI of its "
            f"certificate as `server_uri: {wanted}`, and that is what is checked"
        )


def _names_host(server: x509.Certificate, host: str) -> bool:
    try:
        names = server.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    except x509.ExtensionNotFound:
        return False
    try:
        address = ipaddress.ip_address(host)
    except ValueError:
        return host.lower() in {str(name).lower() for name in names.get_values_for_type(x509.DNSName)}
    return address in names.get_values_for_type(x509.IPAddress)
