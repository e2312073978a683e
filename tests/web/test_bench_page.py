"""The page of the map bench over kept words: it names what is wrong in a map, and answers from memory alone."""

from __future__ import annotations

import html
import re
from dataclasses import replace

import httpx
import pytest

from gateway.drivers.base import Poll
from gateway.drivers.opcua_values import NodeValue
from gateway.instants import SECOND
from gateway.motors.reading import Quality, Reading
from gateway.motors.records import Pace
from gateway.registers.load import load_map
from gateway.registers.yaml_tree import LARGEST_BYTES
from gateway.services.kept_words import KeptWords
from tests.bench.rig import MAPS, shipped
from tests.web.kept import MAP, kept_start, wrong_map
from tests.web.tarn_hollow import NOW, FakePlant

RIGHT_POWER = "power: {at: holding 0x0017, type: float32, word_order: low_first, unit: kW, plausible: [-50, 2000]}"
RIGHT_CURRENT = "current: {at: holding 0x000C, type: uint16, scale: 0.1, unit: A"
GOOD = "map: a\nprotocol: modbus\nsignals:\n  set_flc: {at: holding 0x0046, type: uint16, scale: 0.1, unit: A}\n"


@pytest.fixture
def bench(plant: FakePlant) -> FakePlant:
    plant.maps["DC-01"], plant.kept["DC-01"] = wrong_map(), kept_start(NOW - SECOND)
    return plant


def row_of(page: str, signal: str) -> str:
    """Return the words of one signal's row."""
    found = re.search(rf'data-row="{signal}".*?</tr>', page, re.DOTALL)
    assert found is not None, signal
    return html.unescape(re.sub(r"<[^>]+>", " ", found[0]))


def pasted(page: str) -> str:
    return html.unescape("\n".join(re.findall(r'<pre class="paste".*?>(.*?)</pre>', page, re.DOTALL)))


async def test_it_names_the_word_order_and_the_address_that_are_wrong(client: httpx.AsyncClient, bench: FakePlant) -> None:
    page = (await client.get("/bench?motor=DC-01")).text
    power, current = row_of(page, "power"), row_of(page, "current")
    assert "wrong" in power
    assert "word_order: low_first" in power
    assert "holding 24" in power
    assert "3:0x0017-0x0018" in power
    assert re.search(r"[0-9A-F]{4} [0-9A-F]{4}", power)
    assert "suspicious" in current
    assert "off by one? try at: holding 0x000C" in current
    assert "plausible" in row_of(page, "current_l2")
    assert page.index('data-row="power"') < page.index('data-row="running"')
    assert "sends nothing to the device" in page
    assert "start counter steps by one" in page


async def test_it_proposes_the_lines_to_paste(client: httpx.AsyncClient, bench: FakePlant) -> None:
    for which in ("start", "minutes"):
        lines = pasted((await client.get(f"/bench?motor=DC-01&propose={which}")).text)
        assert RIGHT_POWER in lines, which
        assert RIGHT_CURRENT in lines, which
    assert "No start is kept yet" in (await client.get("/bench?motor=CV-02&propose=start")).text
    assert "No words are kept yet" in (await client.get("/bench?motor=CV-02&propose=minutes")).text


async def test_the_script_is_given_the_same_words(client: httpx.AsyncClient, bench: FakePlant) -> None:
    page, live = (await client.get("/bench?motor=DC-01")).text, (await client.get("/bench/live?motor=DC-01")).json()
    assert live["sentence"] in page
    assert set(live["rows"]) == {signal.key for signal in wrong_map().signals}
    for key, (raw, value, sign, word, hint, mark) in live["rows"].items():
        row = row_of(page, key)
        assert raw in row and value in row and sign in row and word in row and hint in row, key
        assert mark in ("", "u", "c")
    assert (await client.get("/bench/live?motor=XX")).status_code == 404


async def test_a_motor_without_data_shows_no_old_words(client: httpx.AsyncClient, bench: FakePlant) -> None:
    silent = replace(bench.motors["DC-01"].live, quality=Quality.BAD, reason="no answer", last_good_at=NOW - 60 * SECOND)
    bench.motors["DC-01"].live = silent
    page = (await client.get("/bench?motor=DC-01")).text
    assert "DC-01: no data since 14:11." in page
    row = row_of(page, "current_l2")
    assert "unreadable" in row
    assert "no answer" in row
    assert not re.search(r"\b0[0-9A-F]{3}\b", row.replace("0x000E", ""))
    assert "nothing read now" in page
    again = (await client.post("/bench/find", data={"motor": "DC-01", "value": "82 A"})).text
    assert "nothing can be found" in again


async def test_one_block_in_every_form_with_what_gives_a_value(client: httpx.AsyncClient, bench: FakePlant) -> None:
    page = (await client.get("/bench", params={"motor": "DC-01", "at": "holding 71", "expect": "82 A"})).text
    assert "holding 0x0046 (70)" in page
    assert "820 x 0.1 fits 82 A" in page
    assert "+1" in page
    # The address before it is read by no poll, and nothing is asked for it.
    assert "no poll asks for it" in page
    assert "holding 0x0045 (69)" in page
    for at, words in (("holding 500", "do not read"), ("holdng 5", "is not a table"), ("holding 1-90", "too many"), ("<b>", "&lt;b&gt;")):
        assert words in (await client.get("/bench", params={"motor": "DC-01", "at": at})).text
    assert "0 stands everywhere" in (await client.get("/bench", params={"motor": "DC-01", "at": "holding 71", "expect": "0 A"})).text


async def test_a_value_is_found_and_a_second_one_narrows_it(client: httpx.AsyncClient, bench: FakePlant) -> None:
    hidden = re.compile(r'name="carried" value="([^"]*)"')
    ask = {"motor": "DC-01", "value": "82 A", "name": "set_flc"}
    first = (await client.post("/bench/find", data=ask)).text
    assert "set_flc: {at: holding 0x0046, type: uint16, scale: 0.1, unit: A" in pasted(first)
    carried = html.unescape(hidden.findall(first)[0])
    assert len(carried.split(";")) >= 3
    # The setting was changed at the device meanwhile: its words are others now.
    view = bench.kept["DC-01"]
    block = next(raw for raw in view.latest if raw.block.span.first == 70)
    changed = block._replace(data=(900).to_bytes(2, "big") + block.data[2:])
    bench.kept["DC-01"] = replace(view, latest=tuple(changed if raw is block else raw for raw in view.latest))
    second = (await client.post("/bench/find", data={**ask, "value": "90 A", "carried": carried, "values": "82 A"})).text
    left = html.unescape(hidden.findall(second)[0]).split(";")
    assert all(each.startswith("holding,70,") and each.endswith("90.0") for each in left)
    assert "82 A, then 90 A" in second
    for wrong in ({"carried": "nonsense", "values": "82 A"}, {"value": "many"}, {"name": "1 2"}, {"value": "90 V", "values": "82 A"}):
        told = await client.post("/bench/find", data={**ask, **wrong})
        assert told.status_code == 200
        assert 'class="say"' in told.text
    assert (await client.get("/bench/find")).status_code == 200


async def test_a_map_is_checked_and_every_mistake_named(client: httpx.AsyncClient, bench: FakePlant) -> None:
    assert "Check a map before" in (await client.get("/bench/map?motor=DC-01")).text
    bad = "map: a\nprotocol: modbus\nsignals:\n  current: {at: holding 1, tpye: uint16}\n  x: {at: nowhere 5, type: uint16}\n"
    page = (await client.post("/bench/map", data={"motor": "DC-01", "text": bad})).text
    assert "did you mean `type`?" in page
    assert "nowhere is not a table" in html.unescape(page)
    assert ">4<" in page and ">5<" in page
    for text in ("", "a: &x [*x]", "map: !!python/object:os.system {}", "[" * 500, "map: a\nprotocol: modbus\nsignals: 5"):
        assert "mistake" in (await client.post("/bench/map", data={"text": text})).text, text[:20]
    not_text = await client.post("/bench/map", files={"file": ("x.yaml", b"map: \xff\n")}, data={"motor": "DC-01"})
    assert "not UTF-8" in not_text.text


async def test_a_right_map_is_shown_with_plan_table_and_verdict(client: httpx.AsyncClient, bench: FakePlant) -> None:
    right = (MAPS / f"{MAP}.yaml").read_bytes()
    page = (await client.post("/bench/map", files={"file": ("own.yaml", right)}, data={"motor": "DC-01"})).text
    assert f"{shipped(MAP).name}: no mistake, 27 signals." in page
    assert "00 01 00 00 00 06 01 03 00 00" in page
    assert "plausible" in row_of(page, "power")
    assert "0 kW to 113" in row_of(page, "power")
    assert "those of the start at 14:11:17" in page
    many = "".join(f"  s{number}: {{at: holding {number}, type: uint16}}\n" for number in range(300))
    assert (
        "not held against"
        in (await client.post("/bench/map", data={"motor": "DC-01", "text": f"map: a\nprotocol: modbus\nsignals:\n{many}"})).text
    )
    wrong = (await client.post("/bench/map", data={"motor": "DC-01", "text": GOOD})).text
    assert "82 A" in row_of(wrong, "set_flc")


async def test_its_table_can_be_kept(client: httpx.AsyncClient, bench: FakePlant) -> None:
    for form, begin in (("markdown", "# Register map a"), ("csv", "signal,meaning"), ("html", "<!doctype html>")):
        answer = await client.post("/bench/map", data={"text": GOOD, "as": form})
        assert answer.text.startswith(begin)
        assert answer.headers["content-disposition"].startswith('attachment; filename="a-table.')
    assert (await client.post("/bench/map", data={"text": GOOD, "as": "exe"})).status_code == 422


async def test_what_is_too_large_or_from_elsewhere_is_refused(client: httpx.AsyncClient, bench: FakePlant) -> None:
    large = GOOD + "#" * LARGEST_BYTES
    assert "too large" in (await client.post("/bench/map", data={"text": large})).text
    assert (await client.post("/bench/map", content=b"x" * (8 * LARGEST_BYTES))).status_code == 413
    for path in ("/bench/map", "/bench/find"):
        assert (await client.post(path, data={"text": GOOD}, headers={"origin": "http://elsewhere"})).status_code == 403
        odd = await client.post(path, content=b"\xff\xfe", headers={"content-type": "multipart/form-data"})
        assert odd.status_code < 500
        assert (await client.post(path, content=b"\xff=1", headers={"content-type": "text/plain"})).status_code == 422


async def test_the_report_holds_everything_for_the_integrator(client: httpx.AsyncClient, bench: FakePlant) -> None:
    answer = await client.get("/bench/report?motor=DC-01&propose=start")
    assert "attachment" in answer.headers["content-disposition"]
    text = html.unescape(answer.text)
    for words in (RIGHT_POWER, "word_order: low_first", "what is asked", "no answer from the device", "nothing was asked of the device"):
        assert words in text
    plain = (await client.get("/bench/report?motor=DC-01&form=json&propose=start")).json()
    power = next(each for each in plain["signals"] if each["signal"] == "power")
    assert (power["on_wire"], power["function_code"], len(power["raw"])) == ("3:0x0017-0x0018", 3, 2)
    assert RIGHT_POWER in plain["proposals"]["lines"]
    assert plain["plan"][0]["bytes"].startswith("00 01 00 00 00 06 01 03")
    assert plain["poll_faults"][0]["count"] == 1
    assert (await client.get("/bench/report?motor=DC-01&form=exe")).status_code == 422


async def test_nodes_of_a_server_are_shown_as_it_sent_them(client: httpx.AsyncClient, plant: FakePlant) -> None:
    ua = load_map(MAPS / "softline-ua.yaml")
    nodes = {signal.key: NodeValue(0.0, 0, "Good", NOW - SECOND, None, NOW, "Float") for signal in ua.signals}
    nodes["current"] = NodeValue("<script>alert(1)</script>", 0x80310000, "BadNoCommunication", None, None, NOW, "String")
    kept = KeptWords()
    kept.take(Poll(readings=(Reading(NOW, {}),), nodes=nodes), Pace.STANDBY)
    plant.maps["RW-01"], plant.kept["RW-01"] = ua, kept.view()
    answer = await client.get("/bench?motor=RW-01")
    assert answer.status_code == 200
    assert "<script>alert" not in answer.text
    assert "BadNoCommunication" in row_of(answer.text, "current")
    assert "14:11:59" in answer.text
    assert "none sent" in answer.text
    assert "Find a value" not in answer.text
    assert "nothing to propose" in (await client.get("/bench?motor=RW-01&propose=start")).text
    assert (await client.get("/bench/report?motor=RW-01&form=json")).status_code == 200


async def test_hostile_texts_of_device_and_map_stay_texts(client: httpx.AsyncClient, bench: FakePlant) -> None:
    view = bench.kept["DC-01"]
    refused = view.latest[0]._replace(data=b"", fault="<img src=x onerror=alert(1)>")
    bench.kept["DC-01"] = replace(view, latest=(refused, *view.latest[1:]))
    file = {"file": ("<img src=x>.yaml", b"map: '<img src=x>'\n")}
    for page in (
        (await client.get("/bench", params={"motor": "DC-01", "at": "<img src=x>", "expect": "<img src=x>"})).text,
        (
            await client.post("/bench/find", data={"motor": "DC-01", "value": "<img src=x>", "carried": "<img src=x>", "values": "<img"})
        ).text,
        (await client.post("/bench/map", files=file)).text,
        (await client.get("/bench/report?motor=DC-01")).text,
    ):
        assert "<img" not in page


async def test_a_site_without_a_motor_still_checks_maps(client: httpx.AsyncClient, plant: FakePlant) -> None:
    plant.motors.clear()
    assert "No motor, so no map to check." in (await client.get("/bench")).text
    assert "a: no mistake, 1 signal." in (await client.post("/bench/map", data={"text": GOOD})).text
    assert (await client.post("/bench/find", data={"value": "1 A"})).status_code == 404
