"""What the web layer is given of the running gateway, as narrow protocols: tests and the pages' own fixtures satisfy them too.

Everything but the readers is read in the event loop. The readers (`starts`, `start`, `samples`, `alerts`) are synchronous and thread-safe;
pages call them in the thread pool.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Protocol
from zoneinfo import ZoneInfo

from gateway.instants import Instant
from gateway.motors.alerts import Alert
from gateway.motors.facts import Starter
from gateway.motors.history import History
from gateway.motors.records import Budget, Live, Start
from gateway.services.health import Health, LinkHealth
from gateway.site.model import ReportSettings
from gateway.web.reports.records import PeriodView


class MapView(Protocol):
    """The register map of a starter, as far as pages show it."""

    @property
    def name(self) -> str: ...


class AddressView(Protocol):
    """Where a starter is reached, as shown to people."""

    @property
    def text(self) -> str: ...


class StarterSiteView(Protocol):
    """One starter of the site file."""

    @property
    def starter(self) -> Starter: ...
    @property
    def address(self) -> AddressView: ...
    @property
    def unit(self) -> int: ...
    @property
    def map(self) -> MapView: ...


class SiteView(Protocol):
    """The site file."""

    @property
    def name(self) -> str: ...
    @property
    def time_zone(self) -> ZoneInfo: ...
    @property
    def starters(self) -> Sequence[StarterSiteView]: ...
    @property
    def reports(self) -> ReportSettings | None: ...


class SamplesView(Protocol):
    """Samples of one signal; a None breaks the line."""

    @property
    def at(self) -> Sequence[Instant]: ...
    @property
    def values(self) -> Sequence[float | None]: ...


class EventView(Protocol):
    """Something worth keeping that is no start: a gap, a counter that was reset."""

    @property
    def at(self) -> Instant: ...
    @property
    def kind(self) -> str: ...
    @property
    def body(self) -> Mapping[str, Any]: ...


class PlantView(Protocol):
    """The running gateway as pages and API see it."""

    @property
    def site(self) -> SiteView: ...
    @property
    def revision(self) -> int: ...
    @property
    def periods(self) -> PeriodView: ...

    def live(self, name: str) -> Live: ...
    def budget(self, name: str) -> Budget: ...
    def history(self, name: str) -> History: ...
    def heat_trail(self, name: str) -> Sequence[tuple[Instant, float]]: ...
    def standing_alerts(self) -> Sequence[Alert]: ...
    def acknowledge(self, alert_id: str, by: str) -> Alert | None: ...
    def links(self) -> Sequence[LinkHealth]: ...
    def health(self) -> Health: ...

    def starts(self, name: str, *, before_number: int | None = None, limit: int = 50, curves: bool = False) -> list[Start]: ...
    def start(self, name: str, number: int) -> Start | None: ...
    def samples(self, name: str, key: str, from_at: Instant, to_at: Instant, *, points: int | None = None) -> SamplesView: ...
    def events(self, name: str, *, limit: int = 100) -> Sequence[EventView]: ...
    def alerts(self, *, limit: int = 100) -> Sequence[Alert]: ...
