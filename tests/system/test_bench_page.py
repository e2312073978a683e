"""The page of the map bench beside a gateway that polls a simulated starter by a wrong map: what it says, and that it asks for nothing."""

from __future__ import annotations

import asyncio
import html
import re
import struct
from pathlib import Path

import httpx

from gateway.app import running_gateway
from gateway.clock import RealClock
from gateway.registers.plan import plan_reads
from gateway.services.live_bench import words_now
from gateway.services.plant import Plant
from gateway.site import load_site
from gateway.web.application import create_app
from tests.bench.live import serving, write_map
from tests.bench.rig import device, shipped
from tests.web.kept import MAP, MISTAKES

SPEED = 3.0
SITE = """\
site: Tarn Hollow
time_zone: UTC
store: sqlite:///bench.db
starters:
  DC-01:
    map: wrong.yaml
    modbus: {{host: 127.0.0.1, port: {port}, unit: 1}}
    pace: {{standby: 100 ms, starting: 50 ms, running: 100 ms, slow: 1 s}}
    motor: {{rated_power: 45 kW, rated_voltage: 400 V, full_load_current: 82 A, poles: 4}}
    starter: {{method: soft_starter}}
"""


async def until_at_speed(plant: Plant) -> None:
    """Wait until the device says that the start is over, and for some polls after it."""
    async with asyncio.timeout(40):
        while plant.live("DC-01").values.get("at_speed") is not True:
            await plant.wait_for_change(plant.revision)
    seen = len(plant.raw("DC-01").sweeps)
    async with asyncio.timeout(20):
        while len(plant.raw("DC-01").sweeps) < seen + 10:
            await plant.wait_for_change(plant.revision)


async def test_the_page_names_both_mistakes_of_a_map_from_the_polls_alone(tmp_path: Path) -> None:
    async with serving(device(shipped(MAP)), speed=SPEED) as server:
        write_map(tmp_path / "wrong.yaml", shipped(MAP), MISTAKES)
        (tmp_path / "site.yaml").write_text(SITE.format(port=server.port), encoding="utf-8")
        clock, site = RealClock(), load_site(tmp_path / "site.yaml")
        async with running_gateway(site, clock) as plant:
            await until_at_speed(plant)
            transport = httpx.ASGITransport(app=create_app(plant, clock=clock))
            async with httpx.AsyncClient(transport=transport, base_url="http://gateway") as client:
                page = html.unescape((await client.get("/bench?motor=DC-01&propose=minutes&at=holding 24-25")).text)
                live = (await client.get("/bench/live?motor=DC-01")).json()
                found = (await client.post("/bench/find", data={"motor": "DC-01", "value": "82 A", "name": "set_flc"})).text
                report = (await client.get("/bench/report?motor=DC-01&form=json&propose=minutes")).json()
            words = set(words_now(plant.raw("DC-01")))
        asked = {struct.unpack(">BHH", frame.pdu) for frame in server.traffic.frames}
        connections = server.traffic.connections

    assert "word_order: low_first" in page
    assert "off by one? try at: holding 0x000C" in page
    lines = "\n".join(re.findall(r'<pre class="paste".*?>(.*?)</pre>', page, re.DOTALL))
    assert "power: {at: holding 0x0017, type: float32, word_order: low_first, unit: kW" in lines
    assert "current: {at: holding 0x000C, type: uint16, scale: 0.1, unit: A" in lines
    assert lines == "\n".join(report["proposals"]["lines"])
    assert "set_flc: {at: holding 0x0046, type: uint16, scale: 0.1, unit: A}" in html.unescape(found)
    assert live["rows"]["current"][3] == "suspicious"
    # Every request that reached the device is one of the ordinary plan: what was looked at, found and proposed asked for nothing more.
    spans = {block.span for slow in (False, True) for block in plan_reads(site.starters[0].map, slow=slow)}
    assert asked == {(span.table.function_code, span.first, span.count) for span in spans}
    assert connections == 1
    assert words == {(span.table, at) for span in spans for at in range(span.first, span.last + 1)}
