"""Certificates made in the test: an authority, what it signs, what it revokes, in any dates and names."""

from __future__ import annotations

import ipaddress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import rsa
from cryptography.hazmat.primitives.serialization import BestAvailableEncryption, Encoding, NoEncryption, PrivateFormat
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

NOW = datetime.now(UTC).replace(microsecond=0)


@cache
def key(number: int) -> rsa.RSAPrivateKey:
    """Return a key; making one takes long, so that a run makes each once."""
    return rsa.generate_private_key(public_exponent=65537, key_size=2048)


def name(text: str) -> x509.Name:
    return x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, text)])


@dataclass(frozen=True)
class Signed:
    """A certificate with its key, as files."""

    certificate: x509.Certificate
    key: rsa.RSAPrivateKey
    folder: Path
    label: str

    @property
    def pem(self) -> Path:
        return self._written(f"{self.label}.pem", self.certificate.public_bytes(Encoding.PEM))

    @property
    def der(self) -> Path:
        return self._written(f"{self.label}.der", self.certificate.public_bytes(Encoding.DER))

    @property
    def key_pem(self) -> Path:
        return self._written(f"{self.label}.key.pem", self.key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption()))

    @property
    def encrypted_key_pem(self) -> Path:
        content = self.key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, BestAvailableEncryption(b"secret"))
        return self._written(f"{self.label}.locked.pem", content)

    def _written(self, file: str, content: bytes) -> Path:
        path = self.folder / file
        path.write_bytes(content)
        return path


@dataclass
class Authority:
    """Signs certificates; `folder` takes the files."""

    folder: Path
    label: str = "plant authority"
    number: int = 0

    def __post_init__(self) -> None:
        self.certificate = (
            x509.CertificateBuilder()
            .subject_name(name(self.label))
            .issuer_name(name(self.label))
            .public_key(key(self.number).public_key())
            .serial_number(x509.random_serial_number())
            .not_valid_before(NOW - timedelta(days=3650))
            .not_valid_after(NOW + timedelta(days=3650))
            .add_extension(x509.BasicConstraints(ca=True, path_length=1), critical=True)
            .sign(key(self.number), hashes.SHA256())
        )

    @property
    def pem(self) -> Path:
        path = self.folder / f"{self.label}.pem"
        path.write_bytes(self.certificate.public_bytes(Encoding.PEM))
        return path

    def sign(
        self,
        label: str,
        *,
        number: int = 1,
        begins: timedelta = timedelta(days=-30),
        ends: timedelta = timedelta(days=365),
        hosts: tuple[str, ...] = ("127.0.0.1",),
        uri: str = "",
        is_server: bool = True,
    ) -> Signed:
        """Return a certificate for an application on hosts, valid from `begins` to `ends` from now."""
        names: list[x509.GeneralName] = [x509.UniformResourceIdentifier(uri)] if uri else []
        for host in hosts:
            try:
                names.append(x509.IPAddress(ipaddress.ip_address(host)))
            except ValueError:
                names.append(x509.DNSName(host))
        usages = [ExtendedKeyUsageOID.CLIENT_AUTH, *([ExtendedKeyUsageOID.SERVER_AUTH] if is_server else [])]
        flags = dict.fromkeys(("digital_signature", "content_commitment", "key_encipherment", "data_encipherment"), True)
        others = dict.fromkeys(("key_agreement", "key_cert_sign", "crl_sign", "encipher_only", "decipher_only"), False)
        certificate = (
            x509.CertificateBuilder()
            .subject_name(name(label))
            .issuer_name(self.certificate.subject)
            .public_key(key(number).public_key())
            .serial_number(x509.random_serial_number())
            .not_valid_before(NOW + begins)
            .not_valid_after(NOW + ends)
            .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
            .add_extension(x509.SubjectAlternativeName(names), critical=False)
            .add_extension(x509.KeyUsage(**flags, **others), critical=True)
            .add_extension(x509.ExtendedKeyUsage(usages), critical=False)
            .sign(key(self.number), hashes.SHA256())
        )
        return Signed(certificate, key(number), self.folder, label)

    def revocations(self, *revoked: Signed) -> bytes:
        """Return a revocation list in PEM."""
        builder = x509.CertificateRevocationListBuilder().issuer_name(self.certificate.subject)
        builder = builder.last_update(NOW - timedelta(days=1)).next_update(NOW + timedelta(days=30))
        for each in revoked:
            entry = x509.RevokedCertificateBuilder().serial_number(each.certificate.serial_number).revocation_date(NOW - timedelta(hours=1))
            builder = builder.add_revoked_certificate(entry.build())
        return builder.sign(key(self.number), hashes.SHA256()).public_bytes(Encoding.PEM)
