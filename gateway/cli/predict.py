"""`startledger predict`."""

from __future__ import annotations

from contextlib import nullcontext
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.progress import Progress

from gateway.cli.output import GOOD, JsonOption, SiteArgument, StarterOption, err, out, show, starter_of, tell
from gateway.cli.page_file import check_folder, write_page
from gateway.cli.prediction_text import print_both
from gateway.cli.quantity_options import ratio, ratio_list, refuse, seconds, seconds_list
from gateway.machine.sweep import SweepBounds, SweepRanges
from gateway.motors.facts import Starter
from gateway.services.prediction import Forecast, forecast
from gateway.services.prediction import as_json as forecast_json
from gateway.services.setting_sweep import MOST_POINTS, SettingSweep, sweep_settings, usual_bounds
from gateway.services.setting_sweep import as_json as sweep_json
from gateway.web.prediction_file import prediction_file

_SWEPT = "With --sweep: "


def predict(
    site: SiteArgument,
    starter: StarterOption,
    json: JsonOption = False,
    plot: Annotated[Path | None, typer.Option("--plot", help="Write curves and tables to this HTML file, complete in itself.")] = None,
    supply: Annotated[str, typer.Option("--supply", help="Voltage at the starter, of the rated voltage.")] = "100 %",
    run: Annotated[str, typer.Option("--run", help="Run between a start and the stop, for the starts an hour.")] = "10 min",
    sweep: Annotated[bool, typer.Option("--sweep", help="Try soft starter settings and name the gentlest that keeps the bounds.")] = False,
    ramps: Annotated[str | None, typer.Option("--ramps", help=_SWEPT + "ramp times, such as '4 s, 8 s, 12 s'.")] = None,
    voltages: Annotated[str | None, typer.Option("--voltages", help=_SWEPT + "initial voltages, such as '30 %, 40 %'.")] = None,
    limits: Annotated[str | None, typer.Option("--limits", help=_SWEPT + "current limits, such as '3 x FLC, 3.5 x FLC'.")] = None,
    most_current: Annotated[str | None, typer.Option("--most-current", help=_SWEPT + "highest line current, '4 x FLC'.")] = None,
    longest: Annotated[str | None, typer.Option("--longest", help=_SWEPT + "longest start, '15 s'.")] = None,
    most_heat: Annotated[str | None, typer.Option("--most-heat", help=_SWEPT + "most heat of a start, '30 %' of the capacity.")] = None,
) -> None:
    """Predict the start by every starting method: time, current, heat, permitted starts; with --sweep, the settings to choose."""
    found = starter_of(site, starter).starter
    supply_ratio = ratio("--supply", supply, 0.5, 1.2, "95 %")
    run_s = seconds("--run", run, 0.0, 1e6)
    ranges = _ranges(ramps, voltages, limits)
    bounds = _bounds(found, most_current, longest, most_heat)
    check_folder(plot)
    if not sweep and any((ramps, voltages, limits, most_current, longest, most_heat)):
        raise refuse("--sweep", "ranges or bounds without it", "--sweep beside them", "ranges and bounds belong to a sweep")
    predicted = forecast(found, site, supply_ratio=supply_ratio, run_s=run_s)
    swept = _swept(found, site, ranges, bounds, supply_ratio) if sweep else None
    if plot is not None:
        write_page(plot, prediction_file(predicted, swept))
        tell(f"curves written to {plot}")
    _print(predicted, swept, json)
    raise typer.Exit(GOOD)


def _print(predicted: Forecast, swept: SettingSweep | None, json: bool) -> None:
    if not json:
        print_both(out, predicted, swept)
        return
    result: dict[str, Any] = {**forecast_json(predicted), **({} if swept is None else {"sweep": sweep_json(swept)})}
    show(result, True, lambda console, told: None)


def _ranges(ramps: str | None, voltages: str | None, limits: str | None) -> SweepRanges:
    usual = SweepRanges()
    ranges = SweepRanges(
        ramp_times_s=usual.ramp_times_s if ramps is None else seconds_list("--ramps", ramps, 0.5, 600.0),
        initial_voltages=usual.initial_voltages if voltages is None else ratio_list("--voltages", voltages, 0.1, 1.0, "40 %"),
        current_limits=usual.current_limits if limits is None else ratio_list("--limits", limits, 1.0, 12.0, "3.5 x FLC"),
    )
    if ranges.count > MOST_POINTS:
        raise refuse("--sweep", f"{ranges.count} combinations", f"at most {MOST_POINTS}", "give fewer values")
    return ranges


def _bounds(starter: Starter, most_current: str | None, longest: str | None, most_heat: str | None) -> SweepBounds:
    usual = usual_bounds(starter)
    return SweepBounds(
        most_current_ratio=usual.most_current_ratio
        if most_current is None
        else ratio("--most-current", most_current, 0.5, 20.0, "4 x FLC"),
        longest_s=usual.longest_s if longest is None else seconds("--longest", longest, 0.1, 600.0),
        most_heat=usual.most_heat if most_heat is None else ratio("--most-heat", most_heat, 0.001, 10.0, "30 %"),
    )


def _swept(starter: Starter, site: Path, ranges: SweepRanges, bounds: SweepBounds, supply_ratio: float) -> SettingSweep:
    shown = err.is_terminal
    with Progress(console=err, transient=True) if shown else nullcontext() as progress:
        task = progress.add_task("settings", total=ranges.count) if progress is not None else None

        def advance() -> None:
            if progress is not None and task is not None:
                progress.advance(task)

        return sweep_settings(starter, site, ranges, bounds, supply_ratio=supply_ratio, advance=advance)
