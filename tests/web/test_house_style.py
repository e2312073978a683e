"""The handbook's examples are what the pages draw today."""

from __future__ import annotations

from xml.dom.minidom import parseString

import pytest

from tests.web.house_style import DRAWINGS, FOLDER, drawn


@pytest.mark.parametrize("name", DRAWINGS)
def test_an_example_is_what_the_pages_draw(name: str) -> None:
    kept = (FOLDER / f"{name}.svg").read_text(encoding="utf-8")
    assert kept == drawn(name), "run python -m tests.web.house_style and look at what changed"
    assert parseString(kept).documentElement.tagName == "svg"


def test_the_page_shows_every_example() -> None:
    page = (FOLDER / "house-style.md").read_text(encoding="utf-8")
    assert [name for name in DRAWINGS if f"({name}.svg)" not in page] == []
