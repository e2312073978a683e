"""The trend picture as a file of its own: what the page shows, with the page's light colours inside, for a report or a mail."""

from __future__ import annotations

from collections.abc import Sequence

from markupsafe import escape

from gateway.web.plant_time import PlantTime
from gateway.web.shapes.scales import ClockAxis
from gateway.web.shapes.trend import Lane, axis_picture, lane_picture

WIDTH, _LEFT, _HEAD = 1000, 64, 40
_STYLE = (
    "text{font:12px Arial,'Liberation Sans',Helvetica,sans-serif;fill:#3E4347}.h{font-size:16px;font-weight:700;fill:#14171A}"
    ".g2{stroke:#A9ACA9;fill:none}.tr{stroke:#14171A;stroke-width:1.5;fill:none;vector-effect:non-scaling-stroke}"
    ".blind{fill:#14171A;fill-opacity:.08}.startmark{stroke:#14171A;stroke-width:2}.dot{fill:#14171A}.read{display:none}"
)


def trend_file(title: str, lanes: Sequence[Lane], axis: ClockAxis, time: PlantTime) -> str:
    """Return the SVG text: title with the time and its zone, the lanes below each other, the axis."""
    parts, y = [], float(_HEAD)
    for lane in lanes:
        drawn = lane_picture(lane, axis, time)
        height = float(str(drawn.lane).split('height="', 1)[1].split('"', 1)[0])
        parts.append(f'<text x="{_LEFT}" y="{y + 12:g}">{escape(lane.name)} {escape(lane.unit)}</text>')
        y += 18
        parts.append(f'<svg x="0" y="{y:g}" width="{_LEFT - 6}" height="{height:g}">{drawn.labels}</svg>')
        parts.append(f'<svg x="{_LEFT}" y="{y:g}" width="{WIDTH - _LEFT - 12}" height="{height:g}">{drawn.lane}</svg>')
        y += height + 6
    parts.append(f'<svg x="{_LEFT}" y="{y:g}" width="{WIDTH - _LEFT - 12}" height="20">{axis_picture(axis, time)}</svg>')
    y += 26
    first, last = (f"{time.date(at)} {time.clock(at)}" for at in (axis.from_at, axis.to_at))
    when = f"{first} to {last}, {time.zone_text(axis.to_at)}"
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{WIDTH}" height="{y:g}" viewBox="0 0 {WIDTH} {y:g}"><style>{_STYLE}</style>'
        f'<rect width="100%" height="100%" fill="#F0F0ED"/><text class="h" x="12" y="24">{escape(title)}</text>'
        f'<text x="{WIDTH - 12}" y="24" text-anchor="end">{escape(when)}</text>{"".join(parts)}</svg>\n'
    )
