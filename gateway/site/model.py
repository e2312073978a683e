"""A site as data, checked."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from zoneinfo import ZoneInfo

from gateway.motors.facts import Starter
from gateway.registers.model import Protocol, RegisterMap


class Framing(StrEnum):
    """How Modbus requests are packed on a TCP connection."""

    TCP = "tcp"
    """With a header that numbers each request (Modbus Messaging on TCP/IP Implementation Guide V1.0b)."""
    RTU = "rtu"
    """As on a serial line, with a check sum and no number: behind simple bridges (Modbus over Serial Line V1.02, 2.5.1)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TlsFiles:
    """Files for Modbus/TCP Security: certificates that may have signed the device's own, and the gateway's own certificate with its key.

    name: the name in the device's certificate, where it differs from the host.
    """

    trust: Path
    certificate: Path | None = None
    key: Path | None = None
    name: str = ""


class SecurityPolicy(StrEnum):
    """OPC UA security policies that still count as safe (OPC 10000-7), written as there but for the capitals."""

    BASIC256SHA256 = "basic256sha256"
    AES128_SHA256_RSAOAEP = "aes128_sha256_rsaoaep"
    AES256_SHA256_RSAPSS = "aes256_sha256_rsapss"


@dataclass(frozen=True, slots=True, kw_only=True)
class OpcuaSecurity:
    """How an OPC UA channel is protected: always signed and encrypted; no security at all is the absence of this.

    folder: holds `own/certificate.pem` and `own/key.pem`, and the folders `trusted` (certificates) and `revoked` (revocation lists).
    user: name to log in with, "" for an anonymous client; its password stands in a file or an environment variable, never in the site file.
    user_certificate, user_key: instead of a user name.
    server_uri: application URI that the server's certificate must have, "" for the one it states.
    """

    policy: SecurityPolicy = SecurityPolicy.BASIC256SHA256
    folder: Path
    user: str = ""
    password_file: Path | None = None
    password_variable: str = ""
    user_certificate: Path | None = None
    user_key: Path | None = None
    server_uri: str = ""

    @property
    def certificate(self) -> Path:
        """The gateway's own certificate."""
        return self.folder / "own" / "certificate.pem"

    @property
    def key(self) -> Path:
        """The key of the gateway's own certificate."""
        return self.folder / "own" / "key.pem"

    @property
    def trusted(self) -> Path:
        """Folder of certificates that are trusted, of servers or of those who sign for them."""
        return self.folder / "trusted"

    @property
    def revoked(self) -> Path:
        """Folder of revocation lists."""
        return self.folder / "revoked"


@dataclass(frozen=True, slots=True)
class LinkAddress:
    """Where a connection goes and how it is made; starters with equal addresses share one.

    endpoint: the OPC UA URL as written, "" on Modbus. security: None is no security. framing, tls: Modbus only.
    """

    protocol: Protocol
    host: str
    port: int
    endpoint: str = ""
    framing: Framing = Framing.TCP
    tls: TlsFiles | None = None
    security: OpcuaSecurity | None = None

    @property
    def text(self) -> str:
        """The address as shown to people.

        >>> LinkAddress(Protocol.MODBUS, "10.20.0.11", 502).text
        'modbus 10.20.0.11:502'
        """
        return self.endpoint or f"{self.protocol.value} {self.host}:{self.port}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Paces:
    """How often a starter is read while it stands, starts and runs, how often its slow signals are, and how often those are looked at
    that the map marks `pace: watch`, while it stands [s]."""

    standby_s: float = 1.0
    starting_s: float = 0.1
    running_s: float = 1.0
    slow_s: float = 60.0
    watch_s: float = 0.2


@dataclass(frozen=True, slots=True, kw_only=True)
class StarterSite:
    """One starter of the site: what the core knows of it, its map, its connection, its unit id (Modbus) and its paces."""

    starter: Starter
    map: RegisterMap
    address: LinkAddress
    unit: int = 1
    paces: Paces = Paces()


@dataclass(frozen=True, slots=True, kw_only=True)
class WebSettings:
    """Where the pages are served."""

    host: str = "127.0.0.1"
    port: int = 8460


class ReportForm(StrEnum):
    """What a report is written as, by the ending of its file."""

    PDF = "pdf"
    HTML = "html"
    CSV = "csv"
    JSON = "json"


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportSettings:
    """Weekly reports: the folder they are written into, the weekday on which a week begins (0 Monday), and their forms."""

    folder: Path
    weekday: int = 0
    forms: tuple[ReportForm, ...] = (ReportForm.PDF,)


@dataclass(frozen=True, slots=True, kw_only=True)
class Site:
    """A whole site. `store_url` is absolute: a relative SQLite file lies beside the site file."""

    name: str
    time_zone: ZoneInfo
    store_url: str
    web: WebSettings
    starters: tuple[StarterSite, ...]
    file: Path
    keep_readings_days: int = 30
    reports: ReportSettings | None = None

    def starter(self, name: str) -> StarterSite | None:
        """Return the starter of this name, None when the site has none."""
        return next((each for each in self.starters if each.starter.name == name), None)
