"""The wire page as data: does each connection bring readings, how quickly, and what went wrong on it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from gateway.instants import Instant
from gateway.registers.model import Protocol, RegisterMap
from gateway.registers.plan import plan_reads
from gateway.services.health import Health, LinkHealth
from gateway.web.plant_time import PlantTime, age
from gateway.web.plant_view import StarterSiteView
from gateway.web.words import counted, number, sentence

FAULT_WORDS = {
    "bad_name": "name does not resolve",
    "no_route": "no route",
    "refused": "refused",
    "no_answer": "no answer",
    "closed": "closed by the device",
    "wrong_id": "wrong transaction id",
    "wrong_unit": "wrong unit",
    "wrong_function": "wrong function code",
    "wrong_count": "wrong length",
    "garbage": "not a reply",
    "crc": "checksum",
    "exception": "exception reply",
    "bad_status": "bad status",
    "no_node": "no such node",
    "frozen": "connected, nothing moves",
    "security": "security",
    "blocked": "blocked, not a read",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkLine:
    """One connection."""

    address: str
    motors: tuple[str, ...]
    well: bool
    state: str
    fault: str
    last_good: str
    round_trip: str
    slowest: str
    late: str
    rate: str
    missed: str
    faults: str


def _troubled(link: LinkHealth) -> bool:
    return not link.is_open or bool(link.fault)


def wire_sentence(health: Health, time: PlantTime) -> str:
    """Return the answer of the wire page."""
    total = len(health.links)
    bad = [link for link in health.links if _troubled(link)]
    if total == 0:
        return "No connection in the site file."
    if not bad:
        return "The connection brings readings." if total == 1 else f"All {total} connections bring readings."
    if len(bad) > 1:
        return f"{len(bad)} of {total} connections have trouble."
    link = bad[0]
    since = "no reading yet" if link.last_good_at is None else f"nothing since {time.moment(link.last_good_at, health.at)}"
    return f"1 of {counted(total, 'connection', 'connections')} has trouble: {since}."


def _ms(value_s: float | None) -> str:
    return "—" if value_s is None else f"{number(value_s * 1000.0, 0 if value_s >= 0.01 else 1)}"


def link_lines(health: Health, time: PlantTime) -> list[LinkLine]:
    """Return the connections, those with trouble first, else in the order of the site file."""
    return [_link_line(link, health.at, time) for link in sorted(health.links, key=lambda link: not _troubled(link))]


def _link_line(link: LinkHealth, now: Instant, time: PlantTime) -> LinkLine:
    state = "no connection" if not link.is_open else "trouble" if link.fault else "reads"
    last = (
        "never" if link.last_good_at is None else f"{time.moment(link.last_good_at, now, seconds=True)}, {age(link.last_good_at, now)} ago"
    )
    found = sorted(link.faults.items(), key=lambda entry: (-entry[1], entry[0]))
    return LinkLine(
        address=link.address,
        motors=link.starters,
        well=not _troubled(link),
        state=state,
        fault=sentence(link.fault),
        last_good=last,
        round_trip=_ms(link.round_trip_p50_s),
        slowest=_ms(link.round_trip_p99_s),
        late=_ms(link.lateness_p99_s),
        rate=number(link.requests_per_s, 1),
        missed=f"{link.missed} of {link.polls + link.missed}",
        faults=", ".join(f"{count} {FAULT_WORDS.get(str(kind), str(kind))}" for kind, count in found) or "none",
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanLine:
    """What is asked of the starters of one map in each turn: its requests, the fewest that it allows, and how many signals they bring."""

    motors: tuple[str, ...]
    map: str
    requests: str
    slow: str
    signals: str


def plan_lines(starters: Sequence[StarterSiteView]) -> list[PlanLine]:
    """Return the plan of every map, in the order of the site file."""
    using: dict[str, list[StarterSiteView]] = {}
    for entry in starters:
        using.setdefault(entry.map.file or entry.map.name, []).append(entry)
    lines = []
    for entries in using.values():
        entry = entries[0]
        fast = _requests(entry.map, slow=False)
        slow = _requests(entry.map, slow=True)
        modbus = entry.map.protocol is Protocol.MODBUS
        lines.append(
            PlanLine(
                motors=tuple(each.starter.name for each in entries),
                map=entry.map.name,
                requests="; ".join(fast) if modbus else "nodes by name, one call",
                slow="; ".join(slow) if modbus and slow != fast else "—",
                signals=str(len(entry.map.signals)),
            )
        )
    return lines


def _requests(register_map: RegisterMap, *, slow: bool) -> list[str]:
    if register_map.protocol is not Protocol.MODBUS:
        return []
    spans = [block.span for block in plan_reads(register_map, slow=slow)]
    return [f"{span.table.value} {span.first} to {span.last}" if span.count > 1 else f"{span.table.value} {span.first}" for span in spans]


def fault_words(health: Health) -> str:
    """Return the count of faults over all connections."""
    total = sum(sum(link.faults.values()) for link in health.links)
    return f"{counted(total, 'fault', 'faults')} since the gateway started" if total else "no fault since the gateway started"


def store_lines(health: Health, time: PlantTime) -> list[tuple[str, str]]:
    """Return the store's and the jobs' figures as (name, value)."""
    store = health.store
    last = "none yet" if store.last_commit_at is None else time.moment(store.last_commit_at, health.at, seconds=True)
    lines = [
        ("store", "keeps what is read" if store.is_storing else f"stores nothing: {store.fault or 'reason not known'}"),
        ("engine", store.engine or "—"),
        ("last commit", f"{last}, {store.commits} since the gateway started"),
        ("size", f"{number(store.size_bytes / 1e6, 1)} MB, log {number(store.log_bytes / 1e6, 1)} MB"),
        ("waiting for the next commit", f"{store.queued_readings} readings, {store.queued_records} records"),
        ("given up", f"{store.dropped_readings} readings, {store.lost_records} records"),
        ("gateway", f"version {health.version}, running since {time.moment(health.started_at, health.at)}"),
    ]
    for job in health.jobs:
        when = "not yet run" if job.last_run_at is None else time.moment(job.last_run_at, health.at)
        failed = " failed" if job.failed else ""
        lines.append((f"job: {job.name}", f"{when}{failed} {job.last_result}".strip()))
    return lines
