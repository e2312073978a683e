"""The assembly: the only file that sees every layer. It makes the parts, joins them, starts them, and ends them in the opposite order."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import signal
from collections import ChainMap, defaultdict
from collections.abc import AsyncIterator, Callable, Iterator, Sequence

import uvloop

from gateway.clock import Clock, RealClock
from gateway.collector import seldom_collecting
from gateway.drivers.base import Attached, Link
from gateway.drivers.modbus import ModbusLink
from gateway.drivers.opcua import OpcuaLink
from gateway.errors import StoreError
from gateway.instants import Instant
from gateway.registers.model import Fetch, OpcuaPlace, Protocol, RegisterMap, SignalPace
from gateway.services.housekeeping import Housekeeping
from gateway.services.pipeline import Pipeline
from gateway.services.plant import Plant, Watched
from gateway.services.poller import Polled, Poller
from gateway.services.publication import Publication
from gateway.services.recovery import note_settings, recover
from gateway.services.weekly import Weekly
from gateway.site import LinkAddress, Site, StarterSite
from gateway.store.database import Store, open_store
from gateway.store.readers import Readers
from gateway.store.writer import Writer
from gateway.web.application import create_app
from gateway.web.reports.weekly import write_weekly
from gateway.web.serving import serve

log = logging.getLogger(__name__)

Tell = Callable[[str], None]


class Core:
    """Store, recovered starters and pipeline of a site: everything but the wires and the pages."""

    def __init__(self, site: Site, store: Store, clock: Clock) -> None:
        self.site = site
        self.store = store
        self.writer = Writer(store, clock)
        starters = [each.starter for each in site.starters]
        readers = Readers(store)
        try:
            self.recovered = recover(starters, readers, self.writer)
            note_settings(starters, readers, self.writer, clock.now())
        except StoreError:
            self.writer.close()
            raise
        publication = Publication(track.live() for track in self.recovered.tracks.values())
        self.pipeline = Pipeline(self.recovered.tracks, self.writer, publication, clock)
        self.plant = Plant(site, self.recovered.tracks, publication, self.pipeline, store, self.writer, clock)

    def close(self) -> None:
        """Store what is left, the state of every starter included, and close the store. Safe to call twice."""
        self.pipeline.take_snapshots()
        self.writer.close()
        self.store.close()


@contextlib.contextmanager
def opened_core(site: Site, clock: Clock) -> Iterator[Core]:
    """Yield the core over the site's store; on leaving everything taken is stored. StoreError when the store cannot be opened or read."""
    store = open_store(site.store_url, clock)
    try:
        core = Core(site, store, clock)
    except BaseException:
        store.close()
        raise
    try:
        yield core
    finally:
        core.close()


def links_of(site: Site, clock: Clock) -> list[tuple[Link, list[Polled]]]:
    """Return one link an address, with the starters behind it in the order of the site file."""
    behind: dict[LinkAddress, list[StarterSite]] = defaultdict(list)
    for each in site.starters:
        behind[each.address].append(each)
    return [(_link(address, group, clock), [_polled(each) for each in group]) for address, group in behind.items()]


def _polled(starter: StarterSite) -> Polled:
    return Polled(starter.starter.name, starter.paces, is_watched=_is_watched(starter.map))


def _is_watched(register_map: RegisterMap) -> bool:
    """True when a look at a few signals is worth while: the map marks some, and no server tells of their changes by itself."""
    marked = [signal.place for signal in register_map.signals if signal.pace is SignalPace.WATCH]
    return bool(marked) and not any(isinstance(place, OpcuaPlace) and place.fetch is Fetch.SUBSCRIBE for place in marked)


def _link(address: LinkAddress, group: Sequence[StarterSite], clock: Clock) -> Link:
    attached = [Attached(starter=each.starter.name, map=each.map, unit=each.unit) for each in group]
    if address.protocol is Protocol.OPCUA:
        return OpcuaLink(address.endpoint, attached, clock, address.security)
    return ModbusLink(address.host, address.port, attached, clock, framing=address.framing, tls=address.tls)


@contextlib.asynccontextmanager
async def running_gateway(site: Site, clock: Clock) -> AsyncIterator[Plant]:
    """Yield the plant of a site whose starters are being polled; on leaving the links are closed and everything is stored."""
    with opened_core(site, clock) as core:
        poller = Poller(links_of(site, clock), core.pipeline, clock)
        housekeeping = Housekeeping(core.store, core.writer, clock, keep_readings_days=site.keep_readings_days)
        weekly = _weekly(site, core.plant, clock)
        jobs = housekeeping.jobs if weekly is None else ChainMap(housekeeping.jobs, weekly.jobs)
        core.plant.watched = Watched(links=poller.logs, jobs=jobs)
        housekeeping.start()
        if weekly is not None:
            weekly.start()
        poller.start()
        try:
            with seldom_collecting():
                yield core.plant
        finally:
            await poller.stop()
            housekeeping.stop()
            if weekly is not None:
                weekly.stop()


def _weekly(site: Site, plant: Plant, clock: Clock) -> Weekly | None:
    """Return the job of the weekly reports, None where the site file wants none."""
    settings = site.reports
    if settings is None:
        return None

    async def write_due(now: Instant) -> str:
        lasts = {name: plant.live(name).last_good_at for name in plant.names}
        return await asyncio.to_thread(write_weekly, site, settings, plant.periods, lasts.get, now)

    return Weekly(write_due, clock)


async def serve_gateway(site: Site, clock: Clock, stop: asyncio.Event, *, on_ready: Callable[[str], None]) -> None:
    """Poll the starters of a site and serve its pages until `stop` is set."""
    async with running_gateway(site, clock) as plant:
        await serve(create_app(plant, clock=clock), site.web.host, site.web.port, stop, on_ready=on_ready)


def run(site: Site, tell: Tell) -> None:
    """Run the gateway until Ctrl-C or SIGTERM. ServeError when the pages' port cannot be had, StoreError when the store cannot."""

    async def until_signal() -> None:
        stop = stop_on_signals()
        await serve_gateway(site, RealClock(), stop, on_ready=lambda address: tell(_greeting(site, address)))

    uvloop.run(until_signal())
    tell("stopped; everything read so far is stored")


def stop_on_signals() -> asyncio.Event:
    """Return an event that Ctrl-C and SIGTERM set; call it in the event loop."""
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, stop.set)
    return stop


def _greeting(site: Site, address: str) -> str:
    count = len(site.starters)
    return f"{site.name}: {count} starter{'' if count == 1 else 's'}; pages at {address}; store {site.store_url}; Ctrl-C ends it"
