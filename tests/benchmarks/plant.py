"""The demo's plant without its sockets, for benchmarks that need motors that start, run and stop like real ones."""

from __future__ import annotations

from pathlib import Path

from gateway.instants import SECOND

DEMO = Path(__file__).parents[2] / "config" / "demo"
BEGIN = 1_780_000_000 * SECOND
MORNING_S = 6 * 3600.0
"""The demo's plant starts its motors in the morning."""
