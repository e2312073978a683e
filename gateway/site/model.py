"""A site as data, checked."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from zoneinfo import ZoneInfo

from gateway.motors.facts import Starter
from gateway.registers.model import Protocol, RegisterMap


@dataclass(frozen=True, slots=True)
class LinkAddress:
    """Where a connection goes; starters with equal addresses share one. `endpoint` is the OPC UA URL as written, "" on Modbus."""

    protocol: Protocol
    host: str
    port: int
    endpoint: str = ""

    @property
    def text(self) -> str:
        """The address as shown to people.

        >>> LinkAddress(Protocol.MODBUS, "10.20.0.11", 502).text
        'modbus 10.20.0.11:502'
        """
        return self.endpoint or f"{self.protocol.value} {self.host}:{self.port}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Paces:
    """How often a starter is read while it stands, starts and runs, and how often its slow signals are [s]."""

    standby_s: float = 1.0
    starting_s: float = 0.1
    running_s: float = 1.0
    slow_s: float = 60.0


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

    def starter(self, name: str) -> StarterSite | None:
        """Return the starter of this name, None when the site has none."""
        return next((each for each in self.starters if each.starter.name == name), None)
