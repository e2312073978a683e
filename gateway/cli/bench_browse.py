"""`startledger bench browse`."""

from __future__ import annotations

from typing import Annotated

import typer

from gateway.bench.browse import BrowseLine, browse_lines
from gateway.bench.device_opcua import browse as browsed
from gateway.bench.report import check_report_path
from gateway.bench.sheets import browse_sheets
from gateway.cli import bench_options as options
from gateway.cli.bench_protection import OpcuaWay, protection_text
from gateway.cli.option_groups import grouped
from gateway.cli.output import FINDING, GOOD, JsonOption, tell
from gateway.clock import RealClock


@grouped
def browse(
    endpoint: Annotated[str, typer.Argument(help="opc.tcp://host:port/path", show_default=False)],
    most: Annotated[int, typer.Option("--most", min=1, max=100_000, help="Nodes to look at, at most.")] = 2000,
    timeout: options.TimeoutOption = 2.0,
    *,
    protected: OpcuaWay,
    report: options.ReportOption = None,
    dry_run: options.DryOption = False,
    json: JsonOption = False,
) -> None:
    """List an OPC UA server's variables as lines of a map, by namespace URI, with type, unit and range where the server gives them."""
    check_report_path(report)
    if not options.is_opcua(endpoint):
        raise options.wrong("ENDPOINT", endpoint, "opc.tcp://10.0.0.7:4840/", "this is no OPC UA endpoint")
    security = protected.protection()
    way = protection_text(security)
    tell(f"browse sends Browse and Read requests for up to {most} nodes to {endpoint}, {way}. Nothing is written.")
    if dry_run:
        raise typer.Exit(GOOD)

    async def run() -> tuple[tuple[BrowseLine, ...], int, bool]:
        found, requests, is_cut = await browsed(endpoint, RealClock(), most_nodes=most, timeout_s=timeout, security=security)
        return browse_lines(found), requests, is_cut

    lines, requests, is_cut = options.ended(run)
    plain = {"device": endpoint, "variables": [line.as_json() for line in lines], "cut": is_cut, "requests": requests}
    sheets = browse_sheets(lines, endpoint, is_cut=is_cut)
    options.publish(plain, sheets, title=f"Variables of {endpoint}", as_json=json, report=report)
    raise typer.Exit(GOOD if lines else FINDING)
