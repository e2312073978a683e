"""Reads a site file and every map it names: all mistakes of all of them at once."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from pathlib import Path
from zoneinfo import ZoneInfo, available_timezones

from gateway.errors import InputError, Problem
from gateway.registers.findings import Findings, nearest
from gateway.registers.load import read_map
from gateway.registers.model import Protocol, RegisterMap
from gateway.registers.sections import Section
from gateway.registers.yaml_tree import YamlMap, read_tree
from gateway.site.model import Site, StarterSite, WebSettings
from gateway.site.reach_fields import is_host
from gateway.site.report_fields import read_reports
from gateway.site.starter_fields import read_starter

_FIELDS = ("site", "about", "time_zone", "store", "web", "keep_readings", "reports", "defaults", "starters")
_DEFAULTS = ("map", "motor", "load", "starter", "limits", "thresholds", "pace", "alerts")
_STORES = ("sqlite", "postgresql")


@dataclass(slots=True)
class MapShelf:
    """The maps a site names, each read once however many starters share it, with the mistakes of each."""

    folder: Path
    maps: dict[Path, RegisterMap | None] = field(default_factory=dict)
    findings: dict[Path, Findings] = field(default_factory=dict)

    def take(self, section: Section, key: str) -> RegisterMap | None:
        """Return the map that an entry names, None when it cannot be used; a file that is not there is a mistake of the entry."""
        text = section.text(key, longest=500)
        if text is None:
            return None
        path = self.folder / text
        if path not in self.maps:
            findings = Findings(str(path))
            self.maps[path] = read_map(path, findings)
            self.findings[path] = findings
        if not path.is_file():
            section.refuse(key, f"the map cannot be read: there is no file {path}", allowed="a file, from the folder of the site file on")
            return None
        return None if self.findings[path] else self.maps[path]

    @property
    def problems(self) -> list[Problem]:
        """The mistakes of every map that is there; what is not there is told where it is named."""
        return [problem for path, findings in self.findings.items() if path.is_file() for problem in findings.problems]


def load_site(path: Path) -> Site:
    """Return a checked site. Raises InputError with every problem of the site file and of every map it names."""
    findings, shelf = Findings(str(path)), MapShelf(path.parent)
    site = read_site(path, findings, shelf)
    problems = [*findings.problems, *shelf.problems]
    if site is None or problems:
        raise InputError(problems)
    return site


def read_site(path: Path, findings: Findings, shelf: MapShelf) -> Site | None:
    """Return a site as far as it can be read; it may be used only when no mistakes were found in it and its maps."""
    tree = read_tree(path, findings)
    return None if tree is None else site_from(tree, path, findings, shelf)


def site_from(tree: YamlMap, path: Path, findings: Findings, shelf: MapShelf) -> Site | None:
    """Return the site that a tree describes, as `read_site` does."""
    top = Section(tree, "", findings)
    top.allow(_FIELDS)
    name = top.text("site", longest=80)
    if "site" not in top:
        top.require("site", "Tarn Hollow")
    zone = _time_zone(top)
    store_url = _store_url(top, path)
    web = _web(top)
    days = top.quantity("keep_readings", "d", 1, 36500)
    reports = read_reports(top, path.parent)
    starters = _starters(top, shelf)
    _check_addresses(top, starters)
    if name is None or zone is None:
        return None
    return Site(
        name=name,
        time_zone=zone,
        store_url=store_url,
        web=web,
        starters=starters,
        file=path,
        keep_readings_days=30 if days is None else round(days),
        reports=reports,
    )


def _time_zone(top: Section) -> ZoneInfo | None:
    text = top.text("time_zone")
    if text is None:
        if "time_zone" not in top:
            top.require("time_zone", "Europe/London")
        return None
    try:
        return ZoneInfo(text)
    except (KeyError, ValueError, OSError):
        hint = nearest(text, available_timezones())
        message = "this time zone is not known" + (f": {hint}" if hint else "")
        top.refuse("time_zone", message, allowed="a name of the IANA time zone database, such as Europe/London or UTC")
        return None


def _store_url(top: Section, path: Path) -> str:
    url = top.text("store", longest=500) or "sqlite:///startledger.db"
    scheme, separator, rest = url.partition("://")
    if not separator or scheme.partition("+")[0] not in _STORES or not rest.strip("/"):
        # The address may hold a password: it is not repeated.
        found = f"{scheme[:20]}://..." if separator else "a text without ://"
        allowed = "sqlite:///startledger.db or postgresql://user@host/database"
        top.refuse("store", "this is not the address of a store", found=found, allowed=allowed)
        return ""
    if scheme.startswith("sqlite") and rest.startswith("/") and not rest.startswith("//") and not rest.startswith("/:memory:"):
        return f"{scheme}:///{(path.parent / rest[1:]).resolve()}"
    return url


def _web(top: Section) -> WebSettings:
    section = top.section("web")
    if section is None:
        return WebSettings()
    section.allow(("host", "port"))
    default = WebSettings()
    port, host = section.whole("port", 0, 65535), section.text("host")
    if host is not None and not is_host(host):
        section.refuse("host", "a host name or an IP address alone is needed here: the port goes into `port`", allowed="127.0.0.1")
    return WebSettings(host=host or default.host, port=default.port if port is None else port)


def _starters(top: Section, shelf: MapShelf) -> tuple[StarterSite, ...]:
    inner, defaults = top.section("starters"), top.section("defaults")
    if defaults is not None:
        defaults.allow(_DEFAULTS)
    if inner is None or not inner.names():
        if "starters" not in top:
            top.require("starters", "{dust-fan: {map: maps/my-starter.yaml, modbus: {host: 10.0.0.5}, motor: {...}}}")
        elif inner is not None:
            top.refuse("starters", "the site has no starter: name at least one", found="nothing")
        return ()
    starters = []
    for name in inner.names():
        if not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9_-]{0,59}", name):
            message = "the name of a starter is one word of letters, digits, - and _; a longer name goes into `title`"
            inner.refuse(name, message, found=name, allowed="dust-fan, pump_2")
        section = inner.section(name)
        if section is not None:
            starters.append(read_starter(_with_defaults(section, defaults), name, shelf.take, shelf.folder))
    return tuple(starter for starter in starters if starter is not None)


def _with_defaults(section: Section, defaults: Section | None) -> Section:
    """Return a starter's section with what `defaults` gives and it does not; inner sections are merged name by name."""
    if defaults is None:
        return section
    return Section(_merged(section.node, defaults.node, levels=2), section.path, section.findings)


def _merged(own: YamlMap, default: YamlMap, levels: int) -> YamlMap:
    entries, lines = dict(own.entries), dict(own.lines)
    for key, node in default.entries.items():
        mine = entries.get(key)
        if mine is None:
            entries[key], lines[key] = node, default.lines[key]
        elif levels > 1 and isinstance(mine, YamlMap) and isinstance(node, YamlMap):
            entries[key] = _merged(mine, node, levels - 1)
    return YamlMap(entries, lines, own.line)


def _check_addresses(top: Section, starters: tuple[StarterSite, ...]) -> None:
    first_at: dict[tuple[object, ...], StarterSite] = {}
    for each in starters:
        _check_one_way(top, each, starters)
        at: tuple[object, ...] = (each.address, each.unit)
        if each.address.protocol is Protocol.OPCUA:
            at = (each.address, each.map.file)
        other = first_at.setdefault(at, each)
        if other is each:
            continue
        unit = f" unit {each.unit}" if each.address.protocol is Protocol.MODBUS else " with the same map"
        message = f"{other.starter.name} is at {each.address.text}{unit} already: two starters cannot share it"
        inner = top.section("starters")
        if inner is not None:
            protocol = each.address.protocol.value
            section = inner.section(each.starter.name)
            line = inner.line_of(each.starter.name) if section is None else section.line_of(protocol)
            field_path = f"starters.{each.starter.name}.{protocol}"
            top.findings.add(line=line, field=field_path, found=f"{each.address.text}{unit}", message=message)


def _check_one_way(top: Section, starter: StarterSite, starters: tuple[StarterSite, ...]) -> None:
    """Starters behind one address share its connection, so that framing, encryption and user must be the same for all."""
    address = starter.address
    same_end = (each for each in starters if (each.address.host, each.address.port) == (address.host, address.port))
    other = next((each for each in same_end if each.address.endpoint == address.endpoint), starter)
    inner = top.section("starters")
    if other.address != address and inner is not None:
        name = starter.starter.name
        message = f"{other.starter.name} is reached at the same address in another way: framing, encryption and user must be the same"
        top.findings.add(line=inner.line_of(name), field=f"starters.{name}.{address.protocol.value}", found=address.text, message=message)
