"""`startledger note`."""

from __future__ import annotations

import getpass
import urllib.error
import urllib.request
from dataclasses import replace
from typing import Annotated
from urllib.parse import quote

import orjson
import typer

from gateway.app import opened_core
from gateway.cli.output import GOOD, SiteArgument, StarterOption, StoreOption, starter_of, tell
from gateway.clock import RealClock
from gateway.errors import StartledgerError
from gateway.services.notes import MOST_BY, checked_text
from gateway.site import Site, load_site

TIMEOUT_S = 10.0
AddressOption = Annotated[
    str | None, typer.Option("--gateway", help="Address of the running gateway, http://host:port; the site file's by default.")
]


def note(
    site: SiteArgument,
    text: Annotated[str, typer.Argument(help="What was done or found, such as 'bearings greased'.", show_default=False)],
    starter: StarterOption,
    by: Annotated[str | None, typer.Option("--by", help="Who writes it; your user name by default.")] = None,
    gateway: AddressOption = None,
    store: StoreOption = None,
) -> None:
    """Keep a maintenance note of a machine: drift is learned anew from here on.

    It goes to the running gateway, or straight into the store while none runs.
    """
    starter_of(site, starter)
    loaded = load_site(site)
    told, who = checked_text(text), (by or getpass.getuser()).strip()[:MOST_BY]
    address = gateway or gateway_address(loaded)
    if store is not None or not _sent(address, starter, told, who, must=gateway is not None):
        _stored(loaded, store, starter, told, who)
    tell(f"{starter}: noted; drift is learned anew from the next start on")
    raise typer.Exit(GOOD)


def gateway_address(site: Site) -> str:
    """Return where the gateway of a site is reached from this machine."""
    host = "127.0.0.1" if site.web.host in ("0.0.0.0", "::", "") else site.web.host
    return f"http://{f'[{host}]' if ':' in host else host}:{site.web.port}"


def _sent(address: str, starter: str, text: str, by: str, *, must: bool) -> bool:
    """Send the note to the gateway; return False when none listens there and it need not."""
    url = f"{address}/api/motors/{quote(starter, safe='')}/notes"
    body = orjson.dumps({"text": text, "by": by})
    request = urllib.request.Request(url, data=body, headers={"content-type": "application/json"}, method="POST")
    try:
        with urllib.request.urlopen(request, timeout=TIMEOUT_S):
            return True
    except urllib.error.HTTPError as error:
        error.close()
        raise StartledgerError(f"{address} did not take the note: {error.code} {error.reason}") from error
    except (urllib.error.URLError, TimeoutError) as error:
        if must:
            raise StartledgerError(f"no gateway answers at {address}") from error
        return False


def _stored(site: Site, store: str | None, starter: str, text: str, by: str) -> None:
    with opened_core(site if store is None else replace(site, store_url=store), RealClock()) as core:
        core.plant.note(starter, text, by)
