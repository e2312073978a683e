"""The handbook: Markdown in, pages out; nothing in it runs and nothing outside its folder is served."""

from __future__ import annotations

from pathlib import Path

import httpx
import pytest

from gateway.clock import HandClock
from gateway.web.application import HANDBOOK, create_app
from gateway.web.handbook import chapters, hits, rendered
from tests.web.tarn_hollow import FakePlant


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "glossary.md").write_text("# Glossary\n\n| word | unit |\n|---|---|\n| FLC | A |\n", encoding="utf-8")
    (tmp_path / "index.md").write_text(
        "# First minute\n\nSee [the words](glossary.md#flc) and ![the page](motors.png).\n", encoding="utf-8"
    )
    (tmp_path / "no-heading.md").write_text("<script>alert(1)</script> [x](javascript:alert(1))\n", encoding="utf-8")
    (tmp_path / ".hidden.md").write_text("# Hidden\n", encoding="utf-8")
    (tmp_path / "motors.png").write_bytes(b"\x89PNG")
    (tmp_path / "secret.txt").write_text("no", encoding="utf-8")
    return tmp_path


def test_chapters_are_ordered_and_titled(folder: Path) -> None:
    assert [(chapter.name, chapter.title) for chapter in chapters(folder)] == [
        ("index", "First minute"),
        ("glossary", "Glossary"),
        ("no-heading", "No heading"),
    ]
    assert chapters(folder / "absent") == []


def test_links_lead_to_the_pages_and_markup_does_not_run(folder: Path) -> None:
    by_name = {chapter.name: rendered(chapter.text) for chapter in chapters(folder)}
    assert 'href="/handbook/glossary#flc"' in by_name["index"]
    assert 'src="/handbook/motors.png"' in by_name["index"]
    assert '<table tabindex="0">' in by_name["glossary"]
    assert "<script" not in by_name["no-heading"]
    assert 'href="javascript' not in by_name["no-heading"]


def test_search(folder: Path) -> None:
    found = hits(chapters(folder), "flc")
    assert [hit.name for hit in found] == ["index", "glossary"]
    assert hits(chapters(folder), "nothing like it") == []


async def test_routes(folder: Path, plant: FakePlant, clock: HandClock) -> None:
    app = create_app(plant, clock=clock, handbook=folder)
    async with httpx.AsyncClient(transport=httpx.ASGITransport(app=app), base_url="http://gateway") as client:
        assert "What do you want to know?" in (await client.get("/handbook")).text
        assert "2 lines with" in (await client.get("/handbook?find=FLC")).text
        assert "Try a shorter word" in (await client.get("/handbook?find=zzzz")).text
        assert "<h1>Glossary</h1>" in (await client.get("/handbook/glossary")).text
        assert (await client.get("/handbook/motors.png")).headers["content-type"] == "image/png"
        for path in ("secret.txt", "absent", "..%2fapplication.py", "absent.png", ".hidden", "index.md"):
            assert (await client.get(f"/handbook/{path}")).status_code == 404, path


async def test_an_empty_folder_says_so(tmp_path: Path, plant: FakePlant, clock: HandClock) -> None:
    app = create_app(plant, clock=clock, handbook=tmp_path)
    async with httpx.AsyncClient(transport=httpx.ASGITransport(app=app), base_url="http://gateway") as client:
        assert "The handbook is empty." in (await client.get("/handbook")).text


def test_every_link_of_the_real_handbook_leads_somewhere() -> None:
    names = {chapter.name for chapter in chapters(HANDBOOK)}
    assert "glossary" in names
    for chapter in chapters(HANDBOOK):
        html = rendered(chapter.text)
        for link in html.split('"/handbook/')[1:]:
            target = link.split('"')[0].split("#")[0]
            assert target in names or (HANDBOOK / target).is_file(), f"{chapter.name}: {target}"
