"""Takes the README's picture: the motors page of the running demo, on a 10-inch panel of 1024 x 600, into gateway/handbook/motors.png.

    .venv/bin/python deploy/picture.py
"""

from __future__ import annotations

import re
import subprocess
import sys
import tempfile
from pathlib import Path

from playwright.sync_api import sync_playwright

ROOT = Path(__file__).parent.parent
PICTURE = ROOT / "gateway" / "handbook" / "motors.png"
CHROMIUM = "/usr/bin/chromium"
FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking", "--disable-sync"]


def main() -> int:
    """Start the demo, take the picture, end the demo; return the exit status."""
    with tempfile.TemporaryDirectory() as folder:
        command = [str(Path(sys.executable).with_name("startledger")), "demo", "--port", "0", "--folder", folder]
        demo = subprocess.Popen(command, cwd=ROOT, stderr=subprocess.PIPE, text=True)
        try:
            _take(_address(demo))
        finally:
            demo.terminate()
            demo.communicate(timeout=30)
    return 0


def _address(demo: subprocess.Popen[str]) -> str:
    for line in demo.stderr or ():
        found = re.search(r"http://[\d.]+:\d+", line)
        if found:
            return found[0]
    raise SystemExit("the demo ended before its pages were up")


def _take(address: str) -> None:
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        page = browser.new_page(viewport={"width": 1024, "height": 600})
        page.goto(address)
        page.wait_for_selector("text=next permitted start")
        page.wait_for_timeout(3000)
        page.screenshot(path=PICTURE)
        browser.close()


if __name__ == "__main__":
    raise SystemExit(main())
