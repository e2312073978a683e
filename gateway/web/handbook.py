"""The handbook: Markdown files of one folder as pages, listed, searched, offline. HTML in the files is shown as text, not run."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

from fastapi import APIRouter, HTTPException, Query
from fastapi.concurrency import run_in_threadpool
from markdown_it import MarkdownIt
from markupsafe import Markup
from starlette.responses import FileResponse, HTMLResponse, Response

from gateway.web.desk import Desk
from gateway.web.snapshot import Snapshot

_FIRST = ("index", "first", "pages", "site", "map")
_PICTURES = {".png": "image/png", ".svg": "image/svg+xml"}
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,60}")
_HREF = re.compile(r'(href|src)="(?:\./)?([A-Za-z0-9_-]+)\.(md|png|svg)(#[^"]*)?"')
MOST_HITS = 40


@dataclass(frozen=True, slots=True, kw_only=True)
class Chapter:
    """One page of the handbook: its name in addresses, its title and its text."""

    name: str
    title: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Hit:
    """A line of the handbook that holds what was searched for."""

    name: str
    title: str
    line: str


def chapters(folder: Path) -> list[Chapter]:
    """Return the chapters, in the order of their file names with the introductory ones first; an absent folder has none."""
    found = []
    for file in sorted(folder.glob("*.md")) if folder.is_dir() else []:
        if _NAME.fullmatch(file.stem):
            text = file.read_text(encoding="utf-8")
            found.append(Chapter(name=file.stem, title=_title(text, file.stem), text=text))
    return sorted(found, key=lambda chapter: _place(chapter.name))


def _place(name: str) -> int:
    return next((place for place, first in enumerate(_FIRST) if name.startswith(first)), len(_FIRST))


def _title(text: str, stem: str) -> str:
    heading = next((line.lstrip("# ").strip() for line in text.splitlines() if line.startswith("# ")), "")
    return heading or stem.replace("-", " ").replace("_", " ").capitalize()


def rendered(text: str) -> Markup:
    """Return Markdown as HTML; links to other chapters and to pictures of the folder lead to the pages here."""
    html = MarkdownIt("commonmark", {"html": False}).enable("table").render(text)
    # A table wider than a phone scrolls by itself: the arrow keys must reach it.
    return Markup(_HREF.sub(_page_link, html).replace("<table>", '<table tabindex="0">'))


def _page_link(match: re.Match[str]) -> str:
    attribute, name, kind, anchor = match.groups()
    return f'{attribute}="/handbook/{name}{"" if kind == "md" else "." + kind}{anchor or ""}"'


def hits(found: list[Chapter], wanted: str) -> list[Hit]:
    """Return the lines that hold the words, whatever their case."""
    wanted = wanted.lower()
    lines = [
        Hit(name=chapter.name, title=chapter.title, line=line.strip("#|-> ").strip())
        for chapter in found
        for line in chapter.text.splitlines()
        if wanted in line.lower()
    ]
    return lines[:MOST_HITS]


def handbook_router(desk: Desk) -> APIRouter:
    """Return the routes of the handbook."""
    router = APIRouter(default_response_class=HTMLResponse, include_in_schema=False)

    @router.get("/handbook")
    async def listing(find: Annotated[str, Query(max_length=80)] = "") -> HTMLResponse:
        return await run_in_threadpool(_listing, desk, desk.snapshot(), find.strip())

    @router.get("/handbook/{name}")
    async def chapter(name: str) -> Response:
        return await run_in_threadpool(_chapter, desk, desk.snapshot(), name)

    return router


def _listing(desk: Desk, snapshot: Snapshot, find: str) -> HTMLResponse:
    found = chapters(desk.handbook)
    lines = hits(found, find) if find else []
    return desk.page("handbook.html", snapshot, here="handbook", chapters=found, chapter=None, body="", find=find, hits=lines)


def _chapter(desk: Desk, snapshot: Snapshot, name: str) -> Response:
    stem, _, kind = name.partition(".")
    if not _NAME.fullmatch(stem):
        raise HTTPException(404, "The handbook has no such page.")
    if kind:
        return _picture(desk.handbook / name, f".{kind}")
    found = chapters(desk.handbook)
    chapter = next((entry for entry in found if entry.name == stem), None)
    if chapter is None:
        raise HTTPException(404, "The handbook has no such page.")
    return desk.page(
        "handbook.html", snapshot, here="handbook", chapters=found, chapter=chapter, body=rendered(chapter.text), find="", hits=[]
    )


def _picture(file: Path, kind: str) -> Response:
    if kind not in _PICTURES or not file.is_file():
        raise HTTPException(404, "The handbook has no such picture.")
    return FileResponse(file, media_type=_PICTURES[kind])
