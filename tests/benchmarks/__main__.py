"""Every figure that the gateway is to reach, as one table, each held against a baseline of the same run.

    python -m tests.benchmarks [--quick] [PART ...]

Parts: requests, truth, replay, query, store, poll, capacity; all of them take about eight minutes. `--quick` runs each for a moment, to see
that it works. The tables of their own: pages (a browser), starters (the simulated ones), frames (broken frames). On a busy machine run it
under `chrt -f 10`, so that what is measured need not wait for the core.
"""

from __future__ import annotations

import argparse
import os
import platform
import runpy
import sys
import time
from dataclasses import replace

from rich.console import Console

from tests.benchmarks.figures import Figure, print_figures
from tests.benchmarks.parts import PARTS

OTHERS = {"pages": "tests.benchmarks.pages", "starters": "tests.benchmarks.simulated_starters", "frames": "tests.benchmarks.broken_frames"}


def main(words: list[str] | None = None) -> int:
    """Measure and print; return 1 when an aim was missed."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks", description=(__doc__ or "").split("\n")[0])
    parser.add_argument("parts", nargs="*", metavar="PART", choices=[*PARTS, *OTHERS, []], help=", ".join([*PARTS, *OTHERS]))
    parser.add_argument("--quick", action="store_true", help="run each part for a moment only")
    asked = parser.parse_args(words)
    console = Console(highlight=False, width=190)
    figures: list[Figure] = []
    for part in asked.parts or PARTS:
        if part in OTHERS:
            sys.argv = [part]
            runpy.run_module(OTHERS[part], run_name="__main__")
            continue
        begin_s = time.monotonic()
        console.print(f"{part} ...", end=" ")
        figures += PARTS[part](asked.quick)
        console.print(f"{time.monotonic() - begin_s:.0f} s")
    if asked.quick:
        figures = [replace(each, aim="", reached=None) for each in figures]
        console.print("run for a moment only: these figures say that the benchmarks work, nothing more")
    if figures:
        machine = f"Python {platform.python_version()}, {os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}"
        console.print(f"{machine}, {time.strftime('%Y-%m-%d')}")
        print_figures(console, figures)
    return int(any(each.reached is False for each in figures))


if __name__ == "__main__":
    sys.exit(main())
