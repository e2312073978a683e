"""A report as PDF: A4, the same texts and pictures as the page, every sheet with caution, id and "page n of m".

Made by ReportLab, which needs nothing but Python. The same report gives the same bytes: no clock, no random mark is in the file.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import Any
from xml.sax.saxutils import escape

from reportlab.lib.colors import HexColor
from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import (
    BaseDocTemplate,
    CondPageBreak,
    Flowable,
    Frame,
    KeepTogether,
    LongTable,
    PageBreak,
    PageTemplate,
    Paragraph,
    Spacer,
    Table,
)

from gateway.web.plant_time import PlantTime
from gateway.web.reports.content import Report
from gateway.web.reports.drawing import Picture
from gateway.web.reports.fonts import BOLD, REGULAR, load_fonts
from gateway.web.reports.paper import INK, INK2, LINE
from gateway.web.reports.sheets import FIGURE_HEADS, LIMIT_HEADS, MOST_DAYS_BESIDE, START_HEADS, SUMMARY_HEADS, Sheet, Sheets, sheets_of
from gateway.web.reports.words import CAUTION
from gateway.web.reports.work import Progress, unwatched

SMALLEST_PT = 9.0
_WIDTH, _HEIGHT = A4
_MARGIN, _TOP, _FOOT = 12 * mm, 14 * mm, 17 * mm
_ROOM = _WIDTH - 2 * _MARGIN
_GAP = 8.0
_HEAD_ROOM = 70.0
"""A heading stands on a page only with the head of its table and a row or two."""
_PICTURES_SHARE, _LAYOUT_SHARE = 0.4, 0.3
"""Of the time that a PDF takes: its texts and pictures, and each of the two times that it is laid out."""
Style = list[tuple[Any, ...]]


def _style(name: str, size: float, leading: float, *, bold: bool = False, color: str = INK, right: bool = False) -> ParagraphStyle:
    return ParagraphStyle(
        name, fontName=BOLD if bold else REGULAR, fontSize=size, leading=leading, textColor=HexColor(color), alignment=2 if right else 0
    )


_BODY, _CELL, _NUMBER = _style("body", 9.5, 12.5), _style("cell", 9, 11), _style("number", 9, 11, right=True)
_HEAD, _HEAD_RIGHT = _style("head", 9, 10.5, color=INK2), _style("head right", 9, 10.5, color=INK2, right=True)
_H1, _H2, _TAG = _style("h1", 20, 24, bold=True), _style("h2", 11, 14, bold=True), _style("tag", 18, 22, bold=True)
_ANSWER, _MILD = _style("answer", 13, 17, bold=True), _style("mild", 9, 11.5, color=INK2)


_FACTS = _style("facts", 9, 11.5, color=INK2, right=True)
_LOW = ("VALIGN", (0, 0), (-1, -1), "MIDDLE")


def pdf_bytes(report: Report, time: PlantTime, progress: Progress = unwatched) -> bytes:
    """Return a report as the bytes of a PDF file."""
    load_fonts()
    sheets = sheets_of(report, time, progress, _PICTURES_SHARE)
    # How many pages there are is known when they are laid out: the second time they are numbered.
    count = _laid_out(sheets, io.BytesIO(), None, lambda share: progress(_PICTURES_SHARE + _LAYOUT_SHARE * share))
    out = io.BytesIO()
    _laid_out(sheets, out, count, lambda share: progress(_PICTURES_SHARE + _LAYOUT_SHARE * (1.0 + share)))
    return out.getvalue()


def _laid_out(sheets: Sheets, out: io.BytesIO, count: int | None, progress: Progress) -> int:
    """Lay the report out into `out`; return its number of pages."""

    def head_and_foot(canvas: Canvas, document: BaseDocTemplate) -> None:
        _draw_frame(canvas, sheets, document.page, count)
        progress(min(1.0, document.page / expected))

    expected = count or 2 * len(sheets.motors) + 2
    document = BaseDocTemplate(
        out, pagesize=A4, invariant=1, title=f"{sheets.title}, {sheets.site}", author="startledger", subject=sheets.id, lang="en"
    )
    frame = Frame(_MARGIN, _FOOT, _ROOM, _HEIGHT - _TOP - _FOOT, 0, 0, 0, 0, id="sheet")
    document.addPageTemplates([PageTemplate(id="sheet", frames=[frame], onPage=head_and_foot)])
    story = _summary(sheets)
    for motor in sheets.motors:
        story += [PageBreak(), *_motor(motor)]
    document.build([*story, Spacer(1, 14), *_method(sheets)])
    return int(document.page)


def _draw_frame(canvas: Canvas, sheets: Sheets, number: int, count: int | None) -> None:
    right = _WIDTH - _MARGIN
    canvas.saveState()
    canvas.setFillColor(HexColor(INK2))
    canvas.setFont(REGULAR, SMALLEST_PT)
    canvas.drawString(_MARGIN, _HEIGHT - 10 * mm, f"{sheets.site}: {sheets.title.lower()}")
    canvas.drawRightString(right, _HEIGHT - 10 * mm, sheets.id)
    canvas.setStrokeColor(HexColor(INK))
    canvas.setLineWidth(0.8)
    canvas.line(_MARGIN, _FOOT - 8, right, _FOOT - 8)
    canvas.drawString(_MARGIN, _FOOT - 20, CAUTION)
    canvas.drawString(_MARGIN, _FOOT - 32, f"Report {sheets.id}, startledger")
    canvas.drawRightString(right, _FOOT - 32, f"page {number} of {count or number}")
    canvas.restoreState()


def _text(words: str, style: ParagraphStyle) -> Paragraph:
    return Paragraph(escape(words), style)


def _summary(sheets: Sheets) -> list[Flowable]:
    facts = [[_text(name, _MILD), _text(value, _BODY)] for name, value in sheets.facts]
    story: list[Flowable] = [
        _text(f"{sheets.site}: {sheets.title.lower()}", _H1),
        Spacer(1, 6),
        Table(facts, colWidths=[62, _ROOM - 62], style=_plain(1.5)),
        Spacer(1, 10),
        _text(sheets.headline, _ANSWER),
        Spacer(1, 4),
    ]
    for topic in sheets.topics:
        lines = [_text(line, _CELL) for line in topic.lines]
        story += [Spacer(1, 6), KeepTogether([_text(topic.title, _H2), _text(topic.sentence, _BODY), *lines[:8]]), *lines[8:]]
    widths = (56, 0, 38, 56, 54, 60, 48, 42, 52)
    return [*story, Spacer(1, 12), _text("All motors", _H2), Spacer(1, 2), _table(SUMMARY_HEADS, sheets.summary, widths, right_from=2)]


def _motor(sheet: Sheet) -> list[Flowable]:
    head = Table([[_text(sheet.name, _TAG), _text(sheet.facts, _FACTS)]], colWidths=[_ROOM / 2] * 2, style=[*_plain(0), _LOW])
    story: list[Flowable] = [head, Spacer(1, 2), _text(sheet.sentence, _ANSWER), Spacer(1, 4)]
    pictures = sheet.pictures
    key = Table([[_text(name, _MILD), _text(value, _CELL)] for name, value in sheet.key_lines], colWidths=[118, 132], style=_plain(2))
    if pictures.latest is None:
        story.append(key)
    else:
        latest = [_text(f"Latest start, {pictures.latest_when}: × FLC over seconds", _H2), Spacer(1, 3), Picture(pictures.latest)]
        story.append(Table([[latest, key]], colWidths=[_ROOM - 250, 250], style=_plain(0)))
    if pictures.spreads:
        story += [Spacer(1, _GAP), _text("Starts of the period against the usual", _H2), _text(sheet.usual, _MILD), Spacer(1, 3)]
        story.append(Table([[Picture(each) for each in pictures.spreads]], colWidths=[_ROOM / 4] * 4, style=_plain(0)))
    past: list[Flowable] = [Spacer(1, _GAP), _past(sheet)]
    tables = _section("Figures", FIGURE_HEADS, sheet.figures, (106, 66, 38, 80, 34, 64, 0))
    tables += _section("Limits", LIMIT_HEADS, sheet.limits, (70, 132, 64, 0))
    story += [*past, *tables] if sheet.pictures.hours_days <= MOST_DAYS_BESIDE else [*tables, *past]
    return story + _lists(sheet)


def _past(sheet: Sheet) -> Table:
    pictures = sheet.pictures
    hours = [_text(f"Starts in each hour, last {pictures.hours_days} days", _H2), Spacer(1, 3), Picture(pictures.hours)]
    starts: list[Flowable] = [_text("No start pictures", _H2)]
    if pictures.wall is not None:
        title = f"Last {pictures.walled} starts: 8 × FLC high, 30 s wide"
        starts = [_text(title, _H2), Spacer(1, 3), Picture(pictures.wall)]
    return Table([[hours, starts]], colWidths=[_ROOM - 208, 208], style=_plain(0))


def _lists(sheet: Sheet) -> list[Flowable]:
    story = _section("Starts to look at", START_HEADS, sheet.starts, (34, 92, 50, 44, 56, 46, 0), sheet.starts_more, right=(2, 3, 4, 5))
    story += _section("Gaps without readings", ("from", "to", "length", "reason"), sheet.gaps, (92, 92, 60, 0), sheet.gaps_more)
    story += _section("What else happened", ("when", "what"), sheet.happenings, (92, 0), sheet.happenings_more)
    return story + _section("Alerts", ("priority", "alert", "raised, returned, seen"), sheet.alerts, (44, 210, 0), sheet.alerts_more)


def _section(
    title: str, heads: Sequence[str], rows: Sequence[Sequence[str]], widths: Sequence[float], more: int = 0, right: Sequence[int] = ()
) -> list[Flowable]:
    if not rows:
        return []
    told: list[Flowable] = [
        CondPageBreak(_HEAD_ROOM),
        Spacer(1, _GAP),
        _text(title, _H2),
        Spacer(1, 2),
        _table(heads, rows, widths, right=right),
    ]
    return [*told, _text(f"{more} more in the JSON and CSV forms of this report.", _MILD)] if more else told


def _table(
    heads: Sequence[str], rows: Sequence[Sequence[str]], widths: Sequence[float], *, right_from: int = 99, right: Sequence[int] = ()
) -> LongTable:
    def is_right(place: int) -> bool:
        return place >= right_from or place in right

    rest = (_ROOM - sum(widths)) / max(1, sum(1 for width in widths if not width))
    cells = [[_text(head, _HEAD_RIGHT if is_right(place) else _HEAD) for place, head in enumerate(heads)]]
    cells += [[_text(value, _NUMBER if is_right(place) else _CELL) for place, value in enumerate(row)] for row in rows]
    return LongTable(cells, colWidths=[width or rest for width in widths], repeatRows=1, style=_ruled())


def _plain(padding: float) -> Style:
    edges: Style = [(f"{side}PADDING", (0, 0), (-1, -1), 0) for side in ("LEFT", "RIGHT")]
    return [*edges, ("VALIGN", (0, 0), (-1, -1), "TOP"), *((f"{side}PADDING", (0, 0), (-1, -1), padding) for side in ("TOP", "BOTTOM"))]


def _ruled() -> Style:
    return [
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("VALIGN", (0, 0), (-1, 0), "BOTTOM"),
        ("LEFTPADDING", (0, 0), (-1, -1), 0),
        ("RIGHTPADDING", (0, 0), (-1, -1), 6),
        ("TOPPADDING", (0, 0), (-1, -1), 1.5),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 2.5),
        ("LINEBELOW", (0, 0), (-1, 0), 0.9, HexColor(INK)),
        ("LINEBELOW", (0, 1), (-1, -1), 0.4, HexColor(LINE)),
    ]


def _method(sheets: Sheets) -> list[Flowable]:
    notes = [_text(note, _CELL) for note in sheets.method]
    signed = Table([[_text("Reviewed by (name, date): ____________________________________", _BODY)]], style=_plain(10))
    return [KeepTogether([_text("How to read this report", _H2), *notes, signed, _text(sheets.end, _H2)])]
