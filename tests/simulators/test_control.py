"""The HTTP control: orders as JSON, and no page of any other origin gets one through."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import AsyncIterator

import httpx
import pytest
import pytest_asyncio

from gateway.errors import ServeError
from simulators.control import Control, control_app
from simulators.orders import Answer

GIVEN: list[str] = []


async def do(line: str) -> Answer:
    GIVEN.append(line)
    if line == "status":
        return Answer(True, "off", {"phase": "off"})
    return Answer(line == "start", f"did {line}", {})


@pytest_asyncio.fixture
async def client() -> AsyncIterator[httpx.AsyncClient]:
    GIVEN.clear()
    async with httpx.AsyncClient(transport=httpx.ASGITransport(control_app(do)), base_url="http://127.0.0.1:8470") as own:
        yield own


async def test_orders_and_status(client: httpx.AsyncClient) -> None:
    assert (await client.post("/orders", json={"order": "start"})).json() == {"ok": True, "text": "did start", "data": {}}
    refused = await client.post("/orders", json={"order": "jump"})
    assert (refused.status_code, refused.json()["ok"]) == (422, False)
    assert (await client.get("/status")).json() == {"phase": "off"}
    assert "fault KIND" in str((await client.get("/")).json()["orders"])
    assert GIVEN == ["start", "jump", "status"]


@pytest.mark.parametrize(
    "headers",
    [
        {"host": "evil.example"},
        {"host": "evil.example:8470"},
        {"host": ""},
        {"host": "127.0.0.1.evil.example:8470"},
        {"origin": "http://evil.example"},
        {"origin": "null"},
        {"origin": "http://127.0.0.1:8470"},
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
        {"content-type": "text/plain"},
        {"content-type": "application/x-www-form-urlencoded"},
        {"content-type": ""},
    ],
)
async def test_no_page_gives_orders(client: httpx.AsyncClient, headers: dict[str, str]) -> None:
    answer = await client.post("/orders", content=b'{"order": "start"}', headers={"content-type": "application/json", **headers})
    assert answer.status_code == 403
    assert answer.json()["ok"] is False
    assert "access-control-allow-origin" not in answer.headers
    assert GIVEN == []


@pytest.mark.parametrize("host", ["127.0.0.1:8470", "localhost:8470", "localhost", "[::1]:8470"])
async def test_this_machine_by_its_names(client: httpx.AsyncClient, host: str) -> None:
    assert (await client.get("/status", headers={"host": host})).status_code == 200


async def test_a_preflight_is_not_welcome(client: httpx.AsyncClient) -> None:
    asked = {"origin": "http://evil.example", "access-control-request-method": "POST"}
    answer = await client.options("/orders", headers=asked)
    assert answer.status_code == 403
    assert "access-control-allow-origin" not in answer.headers


@pytest.mark.parametrize("body", [b"", b"{}", b'{"order": 5}', b'["start"]', b'{"order": "' + b"x" * 600 + b'"}'])
async def test_what_is_no_order(client: httpx.AsyncClient, body: bytes) -> None:
    assert (await client.post("/orders", content=body, headers={"content-type": "application/json"})).status_code == 422
    assert GIVEN == []


async def test_it_listens_on_loopback_and_ends() -> None:
    control = Control(control_app(do), 0)
    await control.start()
    assert control.address.startswith("http://127.0.0.1:")
    async with httpx.AsyncClient() as client:
        assert (await client.get(f"{control.address}/status")).json() == {"phase": "off"}
    await control.stop()
    await control.stop()
    with pytest.raises(httpx.ConnectError):
        async with httpx.AsyncClient() as client:
            await client.get(f"{control.address}/status")


async def test_a_taken_port_is_told() -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        with pytest.raises(ServeError, match="choose another with --control-port"):
            await Control(control_app(do), taken.getsockname()[1]).start()
    await asyncio.sleep(0)
