"""Runs the program as a user does: a process of its own, with what it printed and its exit status."""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[2]


@dataclass(frozen=True, slots=True)
class Ran:
    """What a command left behind."""

    status: int
    out: str
    err: str


def run(*words: str | Path, cwd: Path = ROOT, timeout_s: float = 60, colours: bool = False) -> Ran:
    """Run `startledger` with these words, its output piped; `colours`: without the user's wish for none."""
    command = [sys.executable, "-c", "from gateway.cli.program import main; main()", *map(str, words)]
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "NO_COLOR": "1", "COLUMNS": "160", "PYTHONWARNINGS": "error::ResourceWarning"}
    if colours:
        del environment["NO_COLOR"]
    done = subprocess.run(command, cwd=cwd, capture_output=True, text=True, timeout=timeout_s, env=environment, check=False)
    return Ran(done.returncode, done.stdout, done.stderr)
