"""The contrast of every colour with what it is drawn on, worked out from the style sheet: no checker can tell it of drawings."""

from __future__ import annotations

import re

import pytest

from gateway.web.desk import STATIC

SHEET = (STATIC / "style.css").read_text(encoding="utf-8")
TEXT, NEEDED_GRAPHICS, URGENT_TEXT = 4.5, 3.0, 6.0
"""WCAG 2.2, 1.4.3 and 1.4.11. What is urgent is written in ink on the sheet, or on its plate: there 6 is the aim of this project."""


def tokens(theme: str) -> dict[str, str]:
    """Return the colours of a theme; the dark one changes some of the light one's."""
    light, dark = SHEET[SHEET.index(":root{") : SHEET.index("@media(prefers")], SHEET[SHEET.index("@media(prefers") : SHEET.index("*{box-")]
    found = dict(re.findall(r"--([\w-]+):(#[0-9A-Fa-f]{6}|transparent)", light))
    if theme == "dark":
        found |= dict(re.findall(r"--([\w-]+):(#[0-9A-Fa-f]{6}|transparent)", dark))
    return found


def luminance(colour: str) -> float:
    """Return the relative luminance (WCAG 2.2).

    >>> luminance("#FFFFFF"), luminance("#000000")
    (1.0, 0.0)
    """
    parts = [int(colour[place : place + 2], 16) / 255.0 for place in (1, 3, 5)]
    red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """Return the contrast ratio (WCAG 2.2)."""
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_the_ratio_is_the_published_one() -> None:
    assert contrast("#FFFFFF", "#000000") == pytest.approx(21.0)
    assert contrast("#767676", "#FFFFFF") == pytest.approx(4.54, abs=0.01)  # the usual example of a grey that just passes


@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize("ground", ["ground", "sheet"])
def test_text_and_needed_graphics_stand_out(theme: str, ground: str) -> None:
    colours = tokens(theme)
    for name in ("ink", "ink2", "urgent", "caution"):
        assert contrast(colours[name], colours[ground]) >= TEXT, (name, theme, ground)
    for name in ("ink3", "data", "tail"):
        assert contrast(colours[name], colours[ground]) >= NEEDED_GRAPHICS, (name, theme, ground)


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_what_is_urgent_is_easy_to_read(theme: str) -> None:
    colours = tokens(theme)
    caution_ground = colours["caution-fill"] if colours["caution-fill"] != "transparent" else colours["sheet"]
    assert contrast(colours["urgent-on"], colours["urgent"]) >= URGENT_TEXT
    assert contrast(colours["caution-on"], caution_ground) >= URGENT_TEXT
    assert contrast(colours["ink"], colours["sheet"]) >= 7.0


def test_paper_has_the_light_colours() -> None:
    printed = dict(re.findall(r"--([\w-]+):(#[0-9A-Fa-f]{6})", SHEET[SHEET.index("@media print") :]))
    light = tokens("light")
    assert {name: colour for name, colour in printed.items() if name not in ("ground", "sheet")} == {
        name: light[name] for name in printed if name not in ("ground", "sheet")
    }
