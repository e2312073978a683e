"""How the pictures look on paper: one list of styles for the page that is printed and for the PDF.

Light always, and chosen by lightness so that grey print tells them apart: usual parts are mid grey, what lies beyond them is darkest.
The smallest type is 12 px, 9 pt on paper.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

INK, INK2, LINE, MID, PALE, BAND, DARK, WHITE = "#14171A", "#3E4347", "#A9ACA9", "#7E8487", "#B4B8B9", "#D3D5D3", "#6E1A00", "#FFFFFF"


@dataclass(frozen=True, slots=True)
class Look:
    """Fill and stroke of a shape, type of a text; "" paints nothing."""

    fill: str = ""
    stroke: str = ""
    width: float = 1.0
    dash: tuple[float, ...] = ()
    size: float = 12.0
    bold: bool = False


LOOKS: Mapping[str, Look] = MappingProxyType(
    {
        "": Look(fill=INK2),
        "fr": Look(fill="#EFF0EE"),
        "st": Look(fill=MID),
        "st c": Look(fill=DARK),
        "tl": Look(fill=PALE),
        "sp": Look(fill=INK),
        "cut": Look(stroke=INK, width=1.8),
        "cut c": Look(stroke=DARK, width=1.8),
        "unseen": Look(stroke=INK2, width=1.2, dash=(4, 2.5)),
        "g1": Look(stroke=LINE),
        "g2": Look(stroke=LINE, width=0.7),
        "g3": Look(stroke=INK2, width=0.8, dash=(2, 2)),
        "t2": Look(fill=INK, size=14, bold=True),
        "un": Look(fill=INK2),
        "tu c": Look(fill=DARK, size=14, bold=True),
        "band": Look(fill=BAND),
        "act in": Look(stroke=INK, width=1.6),
        "act c": Look(stroke=DARK, width=2.6),
        "out c": Look(fill=DARK),
        "dot": Look(fill=INK),
        "dm": Look(fill="#E2E3E1"),
        "dm z": Look(stroke="#D9DAD8", width=0.7),
        "dm n2": Look(fill="#BDBFBD"),
        "dm over": Look(fill=DARK),
        "dm unseen": Look(stroke=INK2, width=1.0, dash=(3, 2)),
        "c": Look(fill=INK, size=13),
        "c over": Look(fill=WHITE, size=13, bold=True),
    }
)


def look_of(css: str) -> Look:
    """Return the look of a class; of one that is not listed the look of its first word, else of plain text.

    >>> look_of("st c").fill, look_of("dot").fill == INK, look_of("never heard of").size
    ('#6E1A00', True, 12.0)
    """
    found = LOOKS.get(css) or LOOKS.get(css.split(" ")[0])
    return replace(LOOKS[""]) if found is None else found


def picture_style() -> str:
    """Return the looks as a style sheet."""
    return "\n".join(f"svg {'.' + name.replace(' ', '.') if name else 'text'}{{{_rule(look)}}}" for name, look in LOOKS.items())


def _rule(look: Look) -> str:
    parts = [f"fill:{look.fill or 'none'}", f"stroke:{look.stroke or 'none'}"]
    if look.stroke:
        parts.append(f"stroke-width:{look.width:g}")
    if look.dash:
        parts.append("stroke-dasharray:" + " ".join(f"{part:g}" for part in look.dash))
    parts.append(f"font-size:{look.size:g}px")
    parts.append(f"font-weight:{700 if look.bold else 400}")
    return ";".join(parts)
