"""Predictions, sweeps and fits as text for a terminal."""

from __future__ import annotations

from rich.console import Console
from rich.table import Table

from gateway.instants import to_iso
from gateway.machine.sweep import Fit, SweepPoint, gentleness
from gateway.motors.records import LimitName
from gateway.services.motor_fit import MotorFit
from gateway.services.prediction import METHOD_WORDS, Forecast, MethodOutlook
from gateway.services.setting_sweep import SettingSweep, bound_words, setting_words
from gateway.services.setting_words import setting_texts

NONE = "-"
_MOST_LINES = 8
_MOST_LATER = 30
CAUTION = "A prediction is an estimate from catalogue data. It replaces no protection and no maker's data."


def print_forecast(console: Console, forecast: Forecast) -> None:
    """Print the methods as a table, what each limit permits, the verdicts, and what was assumed."""
    starter = forecast.starter
    console.print(f"{starter.name} {starter.title}: {starter.motor.rated_power_kw:g} kW, {starter.motor.flc_a:g} A; own method first")
    table = _table("method", "to 95 %\nspeed\ns", "peak\nline\nx FLC", "line\nI2t\nFLC2 s", "winding\nI2t\nFLC2 s", "rotor\nheat\nkJ",
                   "peak\ntorque\nx rated", "heat a\nstart\n%", "starts\nper h")  # fmt: skip
    for outlook in forecast.methods:
        table.add_row(*_method_cells(outlook))
    console.print(table)
    console.print()
    for outlook in forecast.methods:
        settings = ", ".join(setting_texts(outlook.start.settings))
        console.print(f"{METHOD_WORDS[outlook.start.method]}{f' ({settings})' if settings else ''}:")
        console.print(f"    {outlook.verdict}")
        if outlook.assumed:
            console.print(f"    not in the site file, typical value taken: {', '.join(outlook.assumed)}")
    _print_rates(console, forecast)
    _print_notes(console, forecast)


def _method_cells(outlook: MethodOutlook) -> list[str]:
    start = outlook.start
    rate = outlook.permitted_per_hour
    return [
        METHOD_WORDS[start.method],
        _fixed(start.time_to_95_pct_speed_s, 1),
        f"{start.peak_line_current_ratio:.2f}",
        f"{start.line_i2t_flc2s:.1f}" if outlook.heat is not None else NONE,
        f"{start.winding_i2t_flc2s:.1f}" if outlook.heat is not None else NONE,
        f"{start.rotor_heat_j / 1000:.1f}" if outlook.heat is not None else NONE,
        f"{start.peak_torque_ratio:.2f}",
        NONE if outlook.heat is None else f"{100 * outlook.heat:.1f}",
        _fixed(rate, 1),
    ]


def _print_rates(console: Console, forecast: Forecast) -> None:
    started = [outlook for outlook in forecast.methods if outlook.starts_per_hour]
    if not started:
        return
    console.print()
    run = f"{forecast.duty.run_s / 60:g} min" if forecast.duty.run_s >= 60 else f"{forecast.duty.run_s:g} s"
    console.print(f"Starts an hour for ever, each with a run of {run} at {forecast.duty.run_ratio:.2f} x FLC, by limit (* decides):")
    limits = [limit for limit in LimitName if any(limit in outlook.starts_per_hour for outlook in started)]
    table = _table("method", *(limit.value.replace("_", "\n") for limit in limits))
    for outlook in started:
        cells = []
        for limit in limits:
            rate = outlook.starts_per_hour.get(limit)
            cells.append(NONE if rate is None else f"{rate:.1f}{' *' if limit is outlook.deciding else '  '}")
        table.add_row(METHOD_WORDS[outlook.start.method], *cells)
    console.print(table)


def _print_notes(console: Console, forecast: Forecast) -> None:
    console.print()
    for note in forecast.notes:
        console.print(note)
    assumed = forecast.prediction.assumed
    if assumed:
        console.print(f"Not in the site file, typical values taken: {'; '.join(assumed)}.")
    console.print(f"Thermal capacity: {forecast.thermal_source}. A long run at full load uses {100 * forecast.hot_used:.0f} %.")
    console.print(CAUTION)


def print_sweep(console: Console, found: SettingSweep) -> None:
    """Print one table a current limit: rows initial voltages, columns ramp times, then the answer."""
    console.print()
    console.print(f"Soft starter settings against the bounds: {bound_words(found.bounds)}")
    console.print("Time to full speed in s. * keeps the bounds, ** gentlest; C current, T time, H heat too high; - no start.")
    ramps = found.ranges.ramp_times_s
    for limit in found.ranges.current_limits:
        table = _table(f"limit {limit:g} x FLC, ramp", *(f"{ramp:g} s  " for ramp in ramps))
        for voltage in found.ranges.initial_voltages:
            cells = [
                _point_cell(point, found.best)
                for point in found.points
                if point.current_limit_ratio == limit and point.initial_voltage_ratio == voltage
            ]
            table.add_row(f"from {100 * voltage:.0f} %", *cells)
        console.print(table)
        console.print()
    within = sorted((point for point in found.points if point.fit is Fit.WITHIN), key=gentleness)[:_MOST_LINES]
    if within:
        table = _table("settings inside the bounds, gentlest first", "time\ns", "peak line\nx FLC", "winding I2t\nFLC2 s", "heat\n%")
        for point in within:
            heat, i2t = _fixed(100 * (point.heat or 0.0), 1), _fixed(point.winding_i2t_flc2s, 0)
            table.add_row(setting_words(point), _fixed(point.duration_s, 1), f"{point.peak_line_current_ratio:.2f}", i2t, heat)
        console.print(table)
        console.print()
    console.print(found.answer)
    console.print("Gentlest: lowest peak line current, then least heat, then lowest initial voltage and longest ramp.")


def _point_cell(point: SweepPoint, best: SweepPoint | None) -> str:
    if point.fit is Fit.FAILS:
        return NONE
    sign = "**" if point is best else "*" if point.fit is Fit.WITHIN else "".join(name[0].upper() for name in point.broken)
    return f"{_fixed(point.duration_s, 1)} {sign:<2}"


def print_both(console: Console, forecast: Forecast, found: SettingSweep | None) -> None:
    """Print the forecast, and the sweep where there is one."""
    print_forecast(console, forecast)
    if found is not None:
        print_sweep(console, found)


def print_fit(console: Console, found: MotorFit) -> None:
    """Print the fitted machine beside the site file's, the later starts, and what was left out."""
    fit = found.fit
    given = "typical" if found.given_torque_ratio is None else f"{found.given_torque_ratio:.2f}"
    table = _table(found.starter, "fitted", "+- %", "site file")
    table.add_row("load torque at speed, x rated", f"{found.load_torque_ratio:.3f}", f"{found.load_error_pct:.1f}", given)
    table.add_row("total inertia, kg m2", f"{fit.inertia_kg_m2:.3g}", f"{found.inertia_error_pct:.1f}", f"{found.given_inertia_kg_m2:.3g}")
    console.print(table)
    numbers = ", ".join(str(each.number) for each in found.fitted_on)
    console.print(f"fitted on starts {numbers}; the curve is met within {fit.residual_flc:.3f} x FLC (r.m.s.)")
    console.print("errors are 95 % intervals, the model's own error included")
    if found.later:
        console.print()
        table = _table("later start", "begun (UTC)", "time %", "I2t %", "")
        for each in found.later[-_MOST_LATER:]:
            off = each.departure
            if off is not None:
                time = NONE if off.duration_pct is None else f"{off.duration_pct:+.1f}"
                began = to_iso(each.began_at)[:19].replace("T", " ")
                table.add_row(str(each.number), began, time, f"{off.i2t_pct:+.1f}", "departs" if off.departs else "")
        console.print(table)
    console.print()
    for number, reason in found.left_out[-_MOST_LATER:]:
        console.print(f"left out: start {number}, {reason}")
    if found.assumed:
        console.print(f"Not in the site file, typical values taken: {'; '.join(found.assumed)}.")
    console.print(found.answer)
    console.print(CAUTION)


def _table(*heads: str) -> Table:
    table = Table(box=None, pad_edge=False, header_style="bold", padding=(0, 1, 0, 0))
    for place, head in enumerate(heads):
        table.add_column(head, overflow="fold", no_wrap=place == 0, justify="left" if place == 0 else "right")
    return table


def _fixed(value: float | None, digits: int) -> str:
    return NONE if value is None else f"{value:.{digits}f}"
