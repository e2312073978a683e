"""The demo as a newcomer runs it: a process of its own, pages on a free port, Ctrl-C, a second run that goes on."""

from __future__ import annotations

import contextlib
import json
import re
import signal
import subprocess
import sys
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
COMMAND = [sys.executable, "-c", "from gateway.cli.program import main; main()", "demo", "--port", "0", "--days", "0", "--folder"]


@contextlib.contextmanager
def running(folder: Path, *more: str) -> Iterator[tuple[subprocess.Popen[str], str]]:
    """Yield the demo's process and the address of its pages; it must end by itself, in time and with status 0, when Ctrl-C comes."""
    with subprocess.Popen([*COMMAND, str(folder), *more], cwd=ROOT, stderr=subprocess.PIPE, text=True) as demo:
        try:
            yield demo, _address(demo)
            demo.send_signal(signal.SIGINT)
            rest = demo.communicate(timeout=20)[1]
            assert demo.returncode == 0, rest
            assert "Traceback" not in rest
        finally:
            demo.kill()


def _address(demo: subprocess.Popen[str]) -> str:
    lines = []
    for line in demo.stderr or ():
        lines.append(line)
        found = re.search(r"http://[\d.]+:\d+", line)
        if found:
            return found[0]
    raise AssertionError("".join(lines))


def _get(address: str, path: str) -> Any:
    with urllib.request.urlopen(address + path, timeout=10) as answer:
        return json.load(answer)


def _totals(address: str) -> dict[str, int]:
    return {motor["name"]: motor["total_starts"] for motor in _get(address, "/api/motors")["motors"]}


def test_the_demo_serves_and_goes_on(tmp_path: Path) -> None:
    folder = tmp_path / "demo"
    with running(folder) as (_, address):
        first = _totals(address)
        assert len(first) >= 8
        with urllib.request.urlopen(address + "/", timeout=10) as page:
            assert "Tarn Hollow" in page.read().decode()
    with running(folder) as (_, address):
        second = _totals(address)
        assert all(second[name] >= count for name, count in first.items())
