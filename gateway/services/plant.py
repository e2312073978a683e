"""The plant as the pages and the interface see it: what is known now, what is stored, how it all is doing. Nothing here reaches a wire.

`starts`, `start`, `stops`, `samples`, `alerts` and `events` read the store: they are synchronous, safe in any thread, and raise
StoreError. Everything else is answered from memory and belongs in the event loop.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from gateway import __version__
from gateway.clock import Clock
from gateway.instants import Instant
from gateway.motors.alerts import Alert
from gateway.motors.drift_terms import DriftBreak
from gateway.motors.history import History
from gateway.motors.records import Budget, Live, Start, Stop
from gateway.services.health import Health, JobHealth, LinkHealth, LinkLog, StoreHealth
from gateway.services.kept_words import RawView
from gateway.services.pipeline import Pipeline
from gateway.services.publication import Publication
from gateway.services.track import Track
from gateway.site import Site
from gateway.store.batch import Note
from gateway.store.database import Store
from gateway.store.periods import Periods
from gateway.store.readers import Readers, StoredEvent
from gateway.store.samples import Samples
from gateway.store.writer import Writer

MOST_LOG_BYTES = 64 * 2**20
"""Of the write-ahead log before health warns; it is emptied once a minute and then has a few megabytes at most."""


@dataclass(slots=True)
class Watched:
    """What health looks at: the workers' notes and the jobs'. Filled in when they are made."""

    links: Sequence[LinkLog] = ()
    jobs: Mapping[str, JobHealth] = field(default_factory=dict)


class Plant:
    """See the module."""

    def __init__(
        self,
        site: Site,
        tracks: Mapping[str, Track],
        publication: Publication,
        pipeline: Pipeline,
        store: Store,
        writer: Writer,
        clock: Clock,
    ) -> None:
        self.site = site
        self.watched = Watched()
        self._tracks = tracks
        self._publication = publication
        self._pipeline = pipeline
        self._store = store
        self._writer = writer
        self._clock = clock
        self._readers = Readers(store)
        self.periods = Periods(self._readers)
        """What the store holds of a span of time; synchronous, for any thread."""
        self._started_at = clock.now()
        self._budgets: dict[str, tuple[int, Budget]] = {}

    @property
    def names(self) -> tuple[str, ...]:
        """Return the names of all starters, in the order of the site file."""
        return tuple(self._tracks)

    @property
    def revision(self) -> int:
        """Return how many changes there were."""
        return self._publication.revision

    def revision_of(self, name: str) -> int:
        """Return the revision in which a starter last changed."""
        return self._publication.revision_of(name)

    async def wait_for_change(self, after_revision: int) -> int:
        """Return the revision as soon as it is beyond `after_revision`."""
        return await self._publication.wait_for_change(after_revision)

    def live(self, name: str) -> Live:
        """Return what is known of a starter now; KeyError when the site has none of that name."""
        return self._publication.lives[name]

    def lives(self) -> tuple[Live, ...]:
        """Return what is known of every starter now, in the order of the site file."""
        return tuple(self._publication.lives.values())

    def budget(self, name: str) -> Budget:
        """Return the budget as of the last reading. It is worked out when it is first asked for after a change, and once only."""
        revision = self._publication.revision_of(name)
        known = self._budgets.get(name)
        if known is None or known[0] != revision:
            at = self._tracks[name].at
            known = self._budgets[name] = (revision, self.budget_at(name, self._clock.now() if at is None else at))
        return known[1]

    def budget_at(self, name: str, at: Instant) -> Budget:
        """Return the budget at an instant not before the last reading, as if nothing happened until then."""
        return self._tracks[name].watch.budget(at)

    def history(self, name: str) -> History:
        """Return what the limits are told of a starter, as of its last reading: for the heat forecast."""
        return self._tracks[name].watch.history()

    def heat_trail(self, name: str) -> tuple[tuple[Instant, float], ...]:
        """Return the thermal capacity used over the last hours, of 1."""
        return self._tracks[name].watch.heat_trail()

    def standing_alerts(self) -> tuple[Alert, ...]:
        """Return the alerts that stand, highest priority first, then latest first."""
        standing = [alert for track in self._tracks.values() for alert in track.board.standing()]
        return tuple(sorted(standing, key=lambda alert: (alert.priority, -alert.raised_at, alert.id)))

    def acknowledge(self, alert_id: str, by: str) -> Alert | None:
        """Acknowledge an alert; return it as it then is, None when no such alert stands."""
        for name, track in self._tracks.items():
            if any(alert.id == alert_id for alert in track.board.standing()):
                return self._pipeline.acknowledge(name, alert_id, by)
        return None

    def explained_budget(self, name: str, at: Instant | None = None) -> Budget:
        """Return the budget with what stands behind it, at an instant not before the last reading, now where none is given."""
        return self._tracks[name].watch.explained_budget(self._clock.now() if at is None else at)

    def drift_breaks(self, name: str) -> tuple[DriftBreak, ...]:
        """Return where the baselines of a starter's drift began anew, oldest first."""
        return self._tracks[name].watch.drift_breaks()

    def note(self, name: str, text: str, by: str) -> Note:
        """Keep what somebody wrote of a machine; KeyError when the site has none of that name."""
        return self._pipeline.note(name, text, by)

    def raw(self, name: str) -> RawView:
        """Return the raw words that the polls of a starter brought; KeyError when the site has none of that name."""
        return self._pipeline.words[name].view()

    def links(self) -> tuple[LinkHealth, ...]:
        """Return how every link is doing."""
        now = self._clock.now()
        return tuple(log.health(now) for log in self.watched.links)

    def health(self) -> Health:
        """Return how everything is doing."""
        store = self._store_health()
        warnings = [*store.warnings, *([f"Nothing is being stored: {store.fault}"] if store.fault else [])]
        if store.dropped_readings:
            warnings.append(f"{store.dropped_readings} raw readings were given up because too much waited for the store; no start was.")
        if store.log_bytes > MOST_LOG_BYTES:
            warnings.append(f"The write-ahead log has {store.log_bytes // 2**20} MiB: a reader holds it, or the log cannot be emptied.")
        links = self.links()
        warnings += [f"{link.address}: {note}" for link in links for note in link.notes]
        return Health(
            at=self._clock.now(),
            started_at=self._started_at,
            version=__version__,
            links=links,
            store=store,
            jobs=tuple(self.watched.jobs.values()),
            warnings=tuple(warnings),
        )

    def starts(self, name: str, *, before_number: int | None = None, limit: int = 50, curves: bool = False) -> list[Start]:
        """Return the starts of a starter, latest first."""
        return self._readers.starts(name, before_number=before_number, limit=limit, curves=curves)

    def start(self, name: str, number: int) -> Start | None:
        """Return one start with its curve."""
        return self._readers.start(name, number)

    def stops(self, name: str, *, limit: int = 50) -> list[Stop]:
        """Return the stops of a starter, latest first."""
        return self._readers.stops(name, limit=limit)

    def notes(self, name: str, *, limit: int = 100) -> list[Note]:
        """Return what was written of a machine, latest first."""
        return self._readers.notes(name, limit=limit)

    def samples(self, name: str, key: str, from_at: Instant, to_at: Instant, *, points: int | None = None) -> Samples:
        """Return the samples of one signal in a span, thinned to about `points` where given."""
        return self._readers.samples(name, key, from_at, to_at, points=points)

    def alerts(self, *, starter: str | None = None, limit: int = 100) -> list[Alert]:
        """Return alerts, past and standing, latest first, as of the last commit."""
        return self._readers.alerts(starter=starter, limit=limit)

    def events(self, name: str, *, limit: int = 100) -> list[StoredEvent]:
        """Return gaps, unseen starts and counter resets of a starter, latest first."""
        return self._readers.events(name, limit=limit)

    def _store_health(self) -> StoreHealth:
        state = self._writer.state()
        size_bytes, log_bytes = self._store.sizes()
        return StoreHealth(
            url=self._store.place,
            is_storing=state.fault is None,
            fault=state.fault.text if state.fault else "",
            queued_readings=state.queued_readings,
            queued_bytes=state.queued_bytes,
            queued_records=state.queued_records,
            dropped_readings=state.dropped_readings,
            lost_records=state.lost_batches,
            commits=state.commits,
            last_commit_at=state.last_commit_at,
            size_bytes=size_bytes,
            log_bytes=log_bytes,
            engine=self._store.engine_text,
            warnings=self._store.warnings,
        )
