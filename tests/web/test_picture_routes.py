"""Pictures as files: well formed, with the page's colours inside, named after what they show; the page offers both forms."""

from __future__ import annotations

from dataclasses import replace
from xml.etree import ElementTree

import httpx
import pytest
from markupsafe import Markup

from gateway.web.shapes.picture_file import picture_file
from tests.web.tarn_hollow import FakePlant

FILES = (
    "/motors/DC-01/latest.svg",
    "/motors/DC-01/latest.svg?along=speed",
    "/motors/DC-01/hours.svg",
    "/motors/DC-01/wall.svg",
    "/motors/DC-01/drift/1.svg",
    "/compare.svg?motor=DC-01&start=126&other=RW-01",
)


@pytest.mark.parametrize("path", FILES)
async def test_a_picture_is_a_whole_file(client: httpx.AsyncClient, path: str) -> None:
    answer = await client.get(path)
    assert answer.status_code == 200, answer.text
    assert answer.headers["content-type"] == "image/svg+xml"
    assert answer.headers["content-disposition"].startswith("attachment")
    root = ElementTree.fromstring(answer.text)
    assert float(root.get("width", "0")) >= 354.0
    assert "Tarn Hollow" in answer.text
    assert "var(--" not in answer.text


@pytest.mark.parametrize("path", ["/motors/XX-99/latest.svg", "/motors/DC-01/drift/99.svg", "/motors/DC-01/drift/0.svg"])
async def test_what_is_not_there_is_told(client: httpx.AsyncClient, path: str) -> None:
    assert (await client.get(path)).status_code == 404


async def test_a_motor_without_starts_has_no_pictures(plant: FakePlant, client: httpx.AsyncClient) -> None:
    motor = plant.motors["RW-02"]
    plant.motors["RW-02"] = replace(motor, starts=[], live=replace(motor.live, last_start=None, total_starts=0))
    for which in ("latest", "wall"):
        assert (await client.get(f"/motors/RW-02/{which}.svg")).status_code == 404


async def test_pages_offer_both_forms_and_hide_the_one_that_needs_a_script(client: httpx.AsyncClient) -> None:
    for page in ("/motors/DC-01", "/motors/DC-01/drift", "/compare?motor=DC-01", "/signals?motor=DC-01"):
        html = (await client.get(page)).text
        assert ".svg" in html
        assert "data-png=" in html
        assert "pictures.js" in html
    assert "html:not(.scripted) [data-png]{display:none}" in (await client.get("/static/style.css")).text


def test_a_picture_without_a_size_is_refused() -> None:
    with pytest.raises(ValueError, match="no size"):
        picture_file("t", Markup("<svg></svg>"), [])
