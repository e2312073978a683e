"""A picture of a page as a file of its own: the page's light colours inside, a title above, what must be said of it below."""

from __future__ import annotations

import re
from collections.abc import Sequence

from markupsafe import Markup, escape

from gateway.web.shapes.svg import figure

FILE_STYLE = (
    "text{font:12px Arial,'Liberation Sans',Helvetica,sans-serif;fill:#3E4347}.h{font-size:15px;font-weight:700;fill:#14171A}"
    ".t2,.tu{font-size:14px;font-weight:700;fill:#14171A}.tu.u{fill:#A5150C}.tu.c{fill:#6E4300}.un{font-weight:400;fill:#3E4347;font-size:12px}"
    ".g1{stroke:#A9ACA9;fill:none}.g2{stroke:#A9ACA9;stroke-opacity:.55;fill:none}.g3{stroke:#3E4347;stroke-dasharray:2 2;fill:none}"
    ".band{fill:#BFC2BF}.act{fill:none;stroke-width:3}.act.u{stroke:#A5150C}.act.c{stroke:#6E4300}.act.in{stroke:#14171A;stroke-width:2}"
    ".pred{fill:none;stroke:#14171A;stroke-width:1.6;stroke-dasharray:6 3}"
    ".dol{fill:none;stroke:#3E4347;stroke-width:1.6;stroke-dasharray:1.5 2.5}"
    ".cutline{stroke:#14171A;stroke-width:1.5;stroke-dasharray:5 3}.lim{fill:none;stroke:#14171A;stroke-width:1.5;stroke-dasharray:5 3}"
    ".lvl{fill:none;stroke:#14171A;stroke-width:2.5}.learn{fill:#F0F0ED;stroke:#14171A}.dot{fill:#14171A}.out.u{fill:#A5150C}.out.c{fill:#6E4300}"
    ".fr{fill:#14171A;fill-opacity:.055}.st{fill:#34393D}.st.u{fill:#A5150C}.st.c{fill:#6E4300}.tl{fill:#666B6E}.sp{fill:#34393D}"
    ".cut{stroke:#34393D;stroke-width:1.8;fill:none}.cut.u{stroke:#A5150C}.cut.c{stroke:#6E4300}"
    ".unseen{fill:none;stroke:#62676A;stroke-width:1.5;stroke-dasharray:4 2.5}"
    ".dm{fill:#14171A;fill-opacity:.13}.dm.z{fill:none;stroke:#A9ACA9;stroke-opacity:.5}.dm.n2{fill-opacity:.32}.dm.over{fill:#A5150C;fill-opacity:1}"
    ".dm.unseen{fill:none;fill-opacity:1;stroke:#62676A;stroke-dasharray:3 2}"
    ".c{font-size:13px;fill:#14171A}.c.over{fill:#fff;font-weight:700}"
    ".chart text{paint-order:stroke;stroke:#F0F0ED;stroke-width:3px}"
)
_MARGIN, _HEAD, _LINE = 12.0, 40.0, 16.0
_LETTER_PX = 6.3
_SIZE = re.compile(r'width="([\d.]+)" height="([\d.]+)"')


def picture_file(title: str, drawn: Markup, notes: Sequence[str]) -> str:
    """Return the SVG text of a picture made by `svg.picture`, with its own size; each note is a line below it.

    >>> text = picture_file("DC-01 <fan>", Markup('<svg width="100" height="50" viewBox="0 0 100 50"></svg>'), ["an estimate"])
    >>> 'width="124"' in text, "DC-01 &lt;fan&gt;" in text, text.count("<svg")
    (True, True, 2)
    """
    found = _SIZE.search(drawn)
    if found is None:
        raise ValueError("a picture without width and height has no size as a file")
    wide, high = float(found[1]), float(found[2])
    words = [title, *notes]
    width = max(wide, _LETTER_PX * max(len(line) for line in notes) if notes else 0.0, 1.2 * _LETTER_PX * len(title)) + 2 * _MARGIN
    height = _HEAD + high + _LINE * len(notes) + _MARGIN + 4.0
    lines = "".join(
        f'<text x="{_MARGIN:g}" y="{figure(_HEAD + high + _LINE * (row + 1))}">{escape(line)}</text>' for row, line in enumerate(words[1:])
    )
    body = str(drawn).replace("<svg", f'<svg x="{_MARGIN:g}" y="{_HEAD - 6:g}"', 1)
    size = f'width="{figure(width)}" height="{figure(height)}" viewBox="0 0 {figure(width)} {figure(height)}"'
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" {size}><style>{FILE_STYLE}</style><rect width="100%" height="100%" fill="#F0F0ED"/>'
        f'<text class="h" x="{_MARGIN:g}" y="22">{escape(title)}</text>{body}{lines}</svg>\n'
    )
