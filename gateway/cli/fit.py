"""`startledger fit`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from gateway.cli.output import FINDING, GOOD, JsonOption, SiteArgument, StarterOption, out, show, starter_of, tell
from gateway.cli.page_file import check_folder, write_page
from gateway.cli.prediction_text import print_fit
from gateway.cli.quantity_options import ratio
from gateway.services.motor_fit import FIT_ON, as_json, fit_motor, refuse_without_current
from gateway.site import load_site
from gateway.store.reading_only import readers_of
from gateway.web.fit_file import fit_file


def fit(
    site: SiteArgument,
    starter: StarterOption,
    last: Annotated[int, typer.Option("--last", min=1, max=2000, help="How many of the last starts to take from the store.")] = 60,
    on: Annotated[int, typer.Option("--on", min=1, max=50, help="How many of these, the earliest, to fit on.")] = FIT_ON,
    before: Annotated[int | None, typer.Option("--before", min=1, help="Take the starts before this number of the ledger.")] = None,
    tolerance: Annotated[str, typer.Option("--tolerance", help="Difference of time or I2t from which a later start departs.")] = "10 %",
    plot: Annotated[Path | None, typer.Option("--plot", help="Write recorded and predicted curves to this HTML file.")] = None,
    json: JsonOption = False,
) -> None:
    """Estimate load torque and inertia from recorded starts, and say which later starts depart from them."""
    found = starter_of(site, starter)
    loaded = load_site(site)
    check_folder(plot)
    refuse_without_current(found.starter, found.map.file)
    tolerance_pct = 100.0 * ratio("--tolerance", tolerance, 0.01, 2.0, "10 %")
    with readers_of(loaded.store_url) as readers:
        starts = readers.starts(starter, before_number=before, limit=last, curves=True)
    fitted = fit_motor(found.starter, site, starts[::-1], fit_on=on, tolerance_pct=tolerance_pct)
    if plot is not None:
        write_page(plot, fit_file(fitted, found.starter, loaded.time_zone))
        tell(f"curves written to {plot}")
    if json:
        show(as_json(fitted), True, lambda console, told: None)
    else:
        print_fit(out, fitted)
    raise typer.Exit(FINDING if fitted.has_changed else GOOD)
