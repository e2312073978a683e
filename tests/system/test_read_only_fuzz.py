"""Whatever is put into any field of the interface, and whatever a map says, only reads leave the gateway.

Each run tries the same seeded nonsense; what reached the devices is parsed at the end of the run as well (`tests.read_only`).
"""

from __future__ import annotations

import random
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any
from urllib.parse import quote

import httpx
import pytest
from fastapi import APIRouter, FastAPI
from fastapi.routing import APIRoute

from gateway.clock import RealClock
from gateway.drivers.base import Attached
from gateway.drivers.modbus import ModbusLink
from gateway.errors import InputError
from gateway.motors.records import Pace
from gateway.registers.load import load_map
from gateway.registers.model import Protocol, RegisterMap
from gateway.site import Framing
from gateway.web.application import create_app
from tests.drivers.wire import RawServer
from tests.read_only import RECORD, fault_of
from tests.system.bench import DIRECT, Place, running_bench

MAPS = Path(__file__).parents[2] / "config" / "maps"
NASTY = (
    "", "0", "1", "-1", "1e400", "NaN", "65536", "2147483648", "18446744073709551616", "06", "function 6", "write", "0x06", "holding 13",
    "coil 5", "true", "null", "[]", "{}", "../../etc/passwd", "%00", "\u202e", "' OR 1=1 --", "<script>", "FAN-1", "2026-03-12T14:12:00Z",
    "9999-12-31T23:59:59Z", "A" * 3000, "\r\nSet-Cookie: a=b", "😀", "FF00", "opc.tcp://127.0.0.1:1", "127.0.0.1:502",
)  # fmt: skip


def endless(route: APIRoute) -> bool:
    return route.path in ("/stream",)


def routes_of(owner: FastAPI | APIRouter) -> list[APIRoute]:
    """Return every route, also of routers that were included."""
    found: list[APIRoute] = []
    for route in owner.routes:
        inner = getattr(route, "original_router", None)
        if isinstance(inner, APIRouter):
            found += routes_of(inner)
        elif isinstance(route, APIRoute) and not endless(route):
            found.append(route)
    return found


def requests_to(route: APIRoute, draw: random.Random) -> Iterator[tuple[str, str, dict[str, Any]]]:
    """Yield method, path and the rest of some requests: each field nonsense in turn, then all at once."""
    fields = [field.alias for field in (*route.dependant.query_params, *route.dependant.header_params, *route.dependant.cookie_params)]
    bodies = [field.alias for field in route.dependant.body_params] or ["id", "by", "text"]
    for method in sorted(route.methods):
        for attempt in range(12):
            path = re.sub(r"\{[^}]*\}", lambda _: quote(draw.choice(NASTY), safe="") or "x", route.path)
            path = path if attempt % 2 else re.sub(r"\{name[^}]*\}", "FAN", route.path)
            path = re.sub(r"\{[^}]*\}", "1", path)
            rest: dict[str, Any] = {"params": {name: draw.choice(NASTY) for name in fields if draw.random() < 0.7}}
            if method in ("POST", "PUT", "PATCH"):
                body = {name: draw.choice(NASTY) for name in bodies}
                rest["json" if attempt % 3 else "data"] = body
            yield method, path, rest


async def test_no_field_of_the_interface_makes_the_gateway_write(tmp_path: Path) -> None:
    seed, tried, answers = 29, 0, set()
    draw = random.Random(seed)
    place = Place(name="FAN", map="ramp-pro-metered", method=DIRECT, device="{noise: 0.3 %, start_count: 41}")
    server_side = Place(name="PUMP", map="softline-ua", method=DIRECT, device="{noise: 0.3 %, start_count: 41}")
    async with running_bench(tmp_path, place, server_side) as bench:
        app = create_app(bench.plant)
        transport = httpx.ASGITransport(app=app, raise_app_exceptions=False)
        async with httpx.AsyncClient(transport=transport, base_url="http://gateway:8460") as client:
            for route in routes_of(app):
                for method, path, rest in requests_to(route, draw):
                    answer = await client.request(method, path, **rest)
                    answers.add(answer.status_code)
                    assert answer.status_code < 500, (seed, method, path, rest)
                    tried += 1
    assert tried > 300
    assert 200 in answers
    assert RECORD.wrong == []
    assert {3} <= set(RECORD.modbus)


def spoiled(lines: list[str], draw: random.Random) -> str:
    """Return a map with one to three of its values replaced by nonsense, or by what another field holds."""
    new, values = list(lines), re.findall(r"[\w.#-]+(?= *[,}\]\n])", "\n".join(lines))
    for _ in range(draw.randint(1, 3)):
        place = draw.randrange(len(new))
        found = list(re.finditer(r"(?<=: )[^,{}\[\]\n]+|(?<=\[)[^,\]]+", new[place]))
        if found:
            spot = draw.choice(found)
            value = draw.choice([*NASTY, *values]) if draw.random() < 0.7 else str(draw.choice([0, 1, 2, 5, 15, 16, 124, 125, 126, 2000]))
            new[place] = new[place][: spot.start()] + value + new[place][spot.end() :]
    return "\n".join(new)


async def sent_for(register_map: RegisterMap, framing: Framing) -> list[bytes]:
    """Return the requests that really leave for a map, at every pace."""
    async with RawServer(is_rtu=framing is Framing.RTU) as server:
        link = ModbusLink("127.0.0.1", server.port, [Attached(starter="fan", map=register_map)], RealClock(), framing=framing)
        for pace in (Pace.SLOW, Pace.RUNNING, Pace.WATCH):
            if not link.is_open and await link.open() is not None:
                break
            await link.poll("fan", pace)
        await link.close()
        return [request.body[1:] for request in server.requests]


@pytest.mark.parametrize("name", ["ramp-pro-metered", "feeder-block", "bridge-soft-start"])
async def test_no_field_of_a_map_makes_the_gateway_write(name: str, tmp_path: Path) -> None:
    seed, loaded = 31, 0
    draw = random.Random(seed)
    lines = (MAPS / f"{name}.yaml").read_text(encoding="utf-8").split("\n")
    path = tmp_path / "map.yaml"
    for attempt in range(400):
        path.write_text(spoiled(lines, draw), encoding="utf-8")
        try:
            register_map = load_map(path)
        except InputError:
            continue
        if register_map.protocol is not Protocol.MODBUS:
            continue
        loaded += 1
        if loaded <= 60:
            # Its waits alone are not taken from the map, or the run would last for hours.
            hurried = replace(register_map, timeout_s=0.1, min_gap_s=0.0, requests_per_s=None)
            sent = await sent_for(hurried, draw.choice(list(Framing)))
            assert [fault for pdu in sent if (fault := fault_of(pdu))] == [], (seed, attempt)
    assert loaded > 10, (seed, loaded)
    assert RECORD.wrong == []
