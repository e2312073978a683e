"""The gateway's own certificate: made here, so that nobody needs another tool before the first encrypted connection."""

from __future__ import annotations

import socket
from datetime import timedelta
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import rsa
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from gateway.instants import Instant, to_datetime
from gateway.site import OpcuaSecurity

VALID_DAYS = 3 * 365
_KEY_BITS = 3072


def make_certificate(security: OpcuaSecurity, now: Instant, *, days: int = VALID_DAYS, host: str | None = None) -> x509.Certificate:
    """Make a key and a self-signed certificate where `security` looks for them, and the folders for trust beside them; return it.

    The key is readable by its owner alone. What stood there is replaced. Raises OSError when a file cannot be written.
    The extensions are those that OPC 10000-6, 6.2.2 asks of an application instance certificate.
    """
    host = host or socket.gethostname()
    key = rsa.generate_private_key(public_exponent=65537, key_size=_KEY_BITS)
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, f"startledger@{host}"[:64])])
    begins = to_datetime(now) - timedelta(hours=1)
    uri = f"urn:{host}:startledger"
    usage = x509.KeyUsage(
        digital_signature=True,
        content_commitment=True,
        key_encipherment=True,
        data_encipherment=True,
        key_agreement=False,
        key_cert_sign=True,
        crl_sign=False,
        encipher_only=False,
        decipher_only=False,
    )
    certificate = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(begins)
        .not_valid_after(begins + timedelta(days=days))
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(x509.SubjectAlternativeName([x509.UniformResourceIdentifier(uri), x509.DNSName(host)]), critical=False)
        .add_extension(usage, critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.CLIENT_AUTH, ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
        .sign(key, hashes.SHA256())
    )
    for folder in (security.certificate.parent, security.trusted, security.revoked):
        folder.mkdir(parents=True, exist_ok=True)
    _write(security.key, key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption()), 0o600)
    _write(security.certificate, certificate.public_bytes(Encoding.PEM), 0o644)
    return certificate


def _write(path: Path, content: bytes, mode: int) -> None:
    # Made with its mode before anything stands in it, so that the key is at no moment readable by others.
    new = path.with_suffix(".new")
    new.unlink(missing_ok=True)
    new.touch(mode, exist_ok=False)
    new.write_bytes(content)
    new.replace(path)
