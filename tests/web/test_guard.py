"""Headers on every answer; changes only from the gateway's own pages."""

from __future__ import annotations

import httpx
import pytest

from gateway.web.guard import is_foreign

POLICY = "default-src 'self'; object-src 'none'; base-uri 'none'; frame-ancestors 'none'"
ANSWERS = [
    ("/", 200),
    ("/motors/DC-01", 200),
    ("/motors/DC-01/starts.csv", 200),
    ("/alerts", 200),
    ("/wire", 200),
    ("/handbook", 200),
    ("/static/style.css", 200),
    ("/api/motors", 200),
    ("/api/nothing", 404),
    ("/motors/XX-99", 404),
    ("/?find=" + "x" * 200, 422),
    ("/static/../desk.py", 404),
]


@pytest.mark.parametrize(("path", "status"), ANSWERS)
async def test_headers_are_on_every_answer(client: httpx.AsyncClient, path: str, status: int) -> None:
    answer = await client.get(path)
    assert answer.status_code == status
    assert answer.headers["content-security-policy"] == POLICY
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert answer.headers["referrer-policy"] == "same-origin"
    assert "server" not in answer.headers
    assert "access-control-allow-origin" not in answer.headers


@pytest.mark.parametrize("path", ["/docs", "/redoc", "/openapi.json"])
async def test_generated_documentation_is_hidden(client: httpx.AsyncClient, path: str) -> None:
    assert (await client.get(path)).status_code == 404


@pytest.mark.parametrize(
    ("headers", "foreign"),
    [
        ({"sec-fetch-site": "same-origin", "origin": "http://gateway:8460"}, False),
        ({"sec-fetch-site": "none"}, False),
        ({"sec-fetch-site": "cross-site", "origin": "http://evil.example"}, True),
        ({"sec-fetch-site": "same-site", "origin": "http://other.gateway:8460"}, True),
        ({"origin": "http://gateway:8460"}, False),
        ({"origin": "http://evil.example"}, True),
        ({"origin": "null"}, True),
        ({}, False),
    ],
)
def test_foreign_changes(headers: dict[str, str], foreign: bool) -> None:
    given = {"host": "gateway:8460", **headers}
    assert is_foreign("POST", given) is foreign
    assert not is_foreign("GET", given)


@pytest.mark.parametrize("path", ["/alerts/acknowledge", "/api/alerts/acknowledge"])
async def test_acknowledging_from_another_site_is_refused(client: httpx.AsyncClient, path: str) -> None:
    headers = {"origin": "http://evil.example", "sec-fetch-site": "cross-site"}
    body = {"alert": "x", "by": "y"}
    answer = await (client.post(path, headers=headers, json=body) if "api" in path else client.post(path, headers=headers, data=body))
    assert answer.status_code == 403
    assert "another site" in answer.text
