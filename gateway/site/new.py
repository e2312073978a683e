"""A site to begin with: a folder with a site file and a register map that pass every check, and say what to put in their places."""

from __future__ import annotations

import os
import re
from importlib.resources import files
from pathlib import Path
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from gateway.errors import InputError, Problem

_TEMPLATES = files("gateway.site") / "starter"
_LOCALTIME = Path("/etc/localtime")


def new_site(folder: Path, *, name: str = "", zone: str = "") -> tuple[Path, Path]:
    """Make the folder and return its site file and its map; InputError when something of that name is there already.

    name: of the site, the folder's own where none is given. zone: IANA name, this computer's where none is given.
    """
    site, first_map = folder / "site.yaml", folder / "maps" / "first-map.yaml"
    taken = [file for file in (site, first_map) if file.exists()]
    if taken:
        allowed = "a folder that has no site yet"
        raise InputError([Problem(file=str(file), message="is there already and was left as it is", allowed=allowed) for file in taken])
    shown = _plain(name or folder.resolve().name)
    text = (_TEMPLATES / "site.yaml").read_text(encoding="utf-8").format(name=shown, zone=_known(zone) if zone else local_zone(), file=site)
    try:
        first_map.parent.mkdir(parents=True, exist_ok=True)
        first_map.write_text((_TEMPLATES / "first-map.yaml").read_text(encoding="utf-8"), encoding="utf-8")
        site.write_text(text, encoding="utf-8")
    except OSError as error:
        raise InputError([Problem(file=str(folder), message=f"cannot be written: {error.strerror or error}")]) from error
    return site, first_map


def local_zone() -> str:
    """Return the IANA name of this computer's time zone, "UTC" where it has none that can be told."""
    for told in (os.environ.get("TZ", "").lstrip(":"), str(_LOCALTIME.resolve()).rpartition("zoneinfo/")[2]):
        try:
            return ZoneInfo(told).key if told and not told.startswith("/") else "UTC"
        except (ZoneInfoNotFoundError, ValueError):
            continue
    return "UTC"


def _known(zone: str) -> str:
    try:
        return ZoneInfo(zone).key
    except (ZoneInfoNotFoundError, ValueError) as error:
        field, allowed = "--time-zone", "a name such as Europe/London"
        raise InputError([Problem(file="command line", field=field, found=zone, allowed=allowed, message="no such zone")]) from error


def _plain(name: str) -> str:
    """Return the name as a plain YAML text: what could mean something there is put in quotes."""
    shown = " ".join(name.split()) or "my plant"
    escaped = shown.replace("\\", "\\\\").replace('"', '\\"')
    return shown if re.fullmatch(r"[A-Za-z][A-Za-z ._-]*[A-Za-z]", shown) and shown.lower() not in _WORDS else f'"{escaped}"'


_WORDS = frozenset({"yes", "no", "on", "off", "true", "false", "null", "none"})
"""Words that YAML takes for something else than a text."""
