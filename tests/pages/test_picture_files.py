"""A picture saved as PNG: made by the browser from the SVG file under the pages' own content policy, sharp, and not empty."""

from __future__ import annotations

import struct
from pathlib import Path

import pytest

from tests.pages.conftest import Visit

pytestmark = [pytest.mark.pages, pytest.mark.asyncio(loop_scope="module")]


@pytest.mark.parametrize(
    ("page", "picture"),
    [
        ("/motors/DC-01", "latest.svg"),
        ("/motors/RW-02/drift", "drift/1.svg"),
        ("/signals?motor=DC-01&signal=current", "/signals.svg"),
    ],
)
async def test_a_picture_is_saved_as_png(visit: Visit, tmp_path: Path, page: str, picture: str) -> None:
    await visit.go(page)
    async with visit.page.expect_download() as coming:
        await visit.page.locator(f"[data-png*='{picture}']").first.click()
    download = await coming.value
    assert download.suggested_filename.endswith(".png")
    await download.save_as(tmp_path / "picture.png")
    data = (tmp_path / "picture.png").read_bytes()
    assert data[:8] == b"\x89PNG\r\n\x1a\n"
    width, height = struct.unpack(">II", data[16:24])
    assert width >= 700
    assert height >= 400
    # One colour alone packs to a few kilobytes at most.
    assert len(data) > 15_000


async def test_without_a_script_only_the_svg_is_offered(visit: Visit) -> None:
    browser = visit.page.context.browser
    assert browser is not None
    context = await browser.new_context(java_script_enabled=False, viewport={"width": 1024, "height": 600})
    page = await context.new_page()
    await page.goto(visit.address + "/motors/DC-01")
    assert await page.locator("a[href*='latest.svg']").is_visible()
    assert not await page.locator("[data-png*='latest.svg']").is_visible()
    await context.close()
