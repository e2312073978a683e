"""`startledger bench ...`: tries a register map against a device, and finds what a map still lacks. Reads only."""

from __future__ import annotations

import typer

from gateway.cli.bench_browse import browse
from gateway.cli.bench_find import find
from gateway.cli.bench_peek import peek
from gateway.cli.bench_probe import probe
from gateway.cli.bench_propose import propose
from gateway.cli.bench_verify import verify

bench = typer.Typer(
    name="bench",
    help="Try a register map against a device: verify it, find addresses, propose corrections. Reads only, and says first what it sends.",
    no_args_is_help=True,
)
for command in (verify, propose, peek, find, probe, browse):
    bench.command()(command)
