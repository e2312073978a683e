"""`startledger bench browse`."""

from __future__ import annotations

from typing import Annotated

import typer

from gateway.bench.browse import BrowseLine, browse_lines
from gateway.bench.device_opcua import browse as browsed
from gateway.bench.sheets import browse_sheets
from gateway.cli import bench_options as options
from gateway.cli import bench_protection as protection
from gateway.cli.output import FINDING, GOOD, JsonOption, tell
from gateway.clock import RealClock


def browse(
    endpoint: Annotated[str, typer.Argument(help="opc.tcp://host:port/path", show_default=False)],
    most: Annotated[int, typer.Option("--most", min=1, max=100_000, help="Nodes to look at, at most.")] = 2000,
    timeout: options.TimeoutOption = 2.0,
    security: protection.SecurityOption = None,
    policy: protection.PolicyOption = None,
    certificates: protection.CertificatesOption = None,
    user: protection.UserOption = "",
    password_file: protection.PasswordFileOption = None,
    password_variable: protection.PasswordVariableOption = "",
    user_certificate: protection.UserCertificateOption = None,
    user_key: protection.UserKeyOption = None,
    server_uri: protection.ServerUriOption = "",
    report: options.ReportOption = None,
    dry_run: options.DryOption = False,
    json: JsonOption = False,
) -> None:
    """List an OPC UA server's variables as lines of a map, by namespace URI, with type, unit and range where the server gives them."""
    options.check_outputs(None, report, None)
    if not options.is_opcua(endpoint):
        raise options.wrong("ENDPOINT", endpoint, "opc.tcp://10.0.0.7:4840/", "this is no OPC UA endpoint")
    protected = protection.opcua_security(
        security, policy, certificates, user, password_file, password_variable, user_certificate, user_key, server_uri
    )
    way = protection.protection_text(protected)
    tell(f"browse sends Browse and Read requests for up to {most} nodes to {endpoint}, {way}. Nothing is written.")
    if dry_run:
        raise typer.Exit(GOOD)

    async def run() -> tuple[tuple[BrowseLine, ...], int, bool]:
        found, requests, is_cut = await browsed(endpoint, RealClock(), most_nodes=most, timeout_s=timeout, security=protected)
        return browse_lines(found), requests, is_cut

    lines, requests, is_cut = options.ended(run)
    plain = {"device": endpoint, "variables": [line.as_json() for line in lines], "cut": is_cut, "requests": requests}
    sheets = browse_sheets(lines, endpoint, is_cut=is_cut)
    options.publish(plain, sheets, title=f"Variables of {endpoint}", as_json=json, report=report)
    raise typer.Exit(GOOD if lines else FINDING)
