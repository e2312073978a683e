"""A report as one HTML page that is complete in itself: light, made for paper, no script, nothing fetched."""

from __future__ import annotations

from markupsafe import Markup

from gateway.web.desk import STATIC, make_templates
from gateway.web.plant_time import PlantTime
from gateway.web.reports.content import Report
from gateway.web.reports.paper import picture_style
from gateway.web.reports.sheets import FIGURE_HEADS, LIMIT_HEADS, MOST_DAYS_BESIDE, START_HEADS, SUMMARY_HEADS, sheets_of
from gateway.web.reports.words import CAUTION
from gateway.web.reports.work import Progress, unwatched

# Of the time that a page takes, nearly all goes into its pictures.
_PICTURES_SHARE = 0.9


def html_text(report: Report, time: PlantTime, progress: Progress = unwatched) -> str:
    """Return the text of the page."""
    style = (STATIC / "report.css").read_text(encoding="utf-8") + picture_style()
    template = make_templates().get_template("report.html")
    return template.render(
        sheets=sheets_of(report, time, progress, _PICTURES_SHARE),
        summary_heads=SUMMARY_HEADS,
        figure_heads=FIGURE_HEADS,
        limit_heads=LIMIT_HEADS,
        start_heads=START_HEADS,
        most_days_beside=MOST_DAYS_BESIDE,
        caution=CAUTION,
        # The style sheets are the project's own.
        style=Markup(style),
        foot=Markup(_css_text(f"Report {report.id}")),
    )


def _css_text(text: str) -> str:
    r"""Return a text as it may stand between quotes in a style sheet: anything but letters and figures as an escape.

    >>> _css_text("a b;</style>")
    'a\\20 b\\3b \\3c \\2f style\\3e '
    """
    return "".join(char if char.isascii() and char.isalnum() else f"\\{ord(char):x} " for char in text)
