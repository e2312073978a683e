"""F19: half of all packets lost, a tenth lost and the rest late, packets doubled and shuffled. Never a wrong value, no socket left behind,
data again soon after the weather clears. The figures are logged: run with `--log-cli-level=INFO`."""

from __future__ import annotations

import asyncio
import ctypes
import errno
import logging
from pathlib import Path

import pytest

from gateway.clock import RealClock
from gateway.site import Framing
from tests.system import lossy_link as lossy_link_module
from tests.system.far_device import open_descriptors, polled_device, until
from tests.system.far_plant import FAN, PUMP, far_plant
from tests.system.lossy_link import DEVICE, FAIR, Weather, lossy_link

log = logging.getLogger(__name__)

WEATHER = {
    "half lost": Weather(loss=0.5),
    "a tenth lost, 300 ms": Weather(loss=0.1, delay_s=0.3),
    "doubled and shuffled": Weather(doubled=0.3, held=0.3),
}
RECOVERY_S = 30.0


async def _weather_passes(name: str, framing: Framing, seed: int, foul_s: float) -> None:
    async with lossy_link(seed) as net, polled_device(net, host=DEVICE, framing=framing) as far:
        judge = far.judge
        await until(lambda: judge.whole > 5, 10, "the first polls")
        before = open_descriptors(net)
        foul_from = judge.polls, judge.whole
        net.weather = WEATHER[name]
        await asyncio.sleep(foul_s)
        polls, whole = judge.polls - foul_from[0], judge.whole - foul_from[1]
        net.weather = FAIR
        cleared_s, seen = RealClock().monotonic(), judge.whole
        await until(lambda: judge.whole > seen, RECOVERY_S, "data after the weather has cleared")
        back_s = RealClock().monotonic() - cleared_s
        await until(lambda: judge.whole > seen + 10, RECOVERY_S, "steady data")
        after = open_descriptors(net)
        connections = far.server.traffic.connections
    share = 1 - whole / polls if polls else 1.0
    log.info(
        "%s, %s, seed %d, %g s: %d values, %d wrong, %d polls, %.1f %% not whole, %d connections, back after %.2f s, descriptors %d -> %d; "
        "packets passed %d, lost %d, doubled %d, held back %d; faults %s",
        *(name, framing.value, seed, foul_s, judge.good, len(judge.wrong), polls, 100 * share, connections, back_s, before, after),
        *(net.passed, net.lost, net.doubled, net.held, dict(judge.kinds)),
    )
    assert judge.wrong == [], f"seed {seed}"
    assert judge.good > 0
    assert abs(after - before) <= 2
    assert net.lost > 0 or net.doubled > 0


@pytest.mark.parametrize("name", WEATHER)
async def test_f19_no_wrong_value_and_no_socket_left(name: str) -> None:
    await _weather_passes(name, Framing.TCP, seed=19, foul_s=1.0)


async def test_a_machine_that_allows_no_namespaces_is_told_what_is_needed(monkeypatch: pytest.MonkeyPatch) -> None:
    class Refusing:
        def unshare(self, flags: int) -> int:
            ctypes.set_errno(errno.EPERM)
            return -1

        def setns(self, space: int, kind: int) -> int:
            return 0

    monkeypatch.setattr(lossy_link_module, "_libc", Refusing())
    with pytest.raises(pytest.skip.Exception, match=r"refuses \(\[Errno 1\] Operation not permitted\): run it as root"):
        async with lossy_link(1):
            pass


@pytest.mark.slow
@pytest.mark.timeout(900)
@pytest.mark.parametrize("framing", list(Framing))
@pytest.mark.parametrize("name", WEATHER)
async def test_f19_for_a_minute(name: str, framing: Framing) -> None:
    await _weather_passes(name, framing, seed=20, foul_s=60.0)


@pytest.mark.slow
@pytest.mark.timeout(300)
@pytest.mark.parametrize("opcua", ["poll", "subscribe"])
@pytest.mark.parametrize("name", WEATHER)
async def test_f19_the_whole_gateway_on_both_wires(tmp_path: Path, name: str, opcua: str) -> None:
    clock, foul_s, wrong, looks = RealClock(), 30.0, set[str](), 0
    async with lossy_link(seed=25) as net, far_plant(tmp_path, net, clock, opcua=opcua) as far:
        await until(lambda: far.is_shown(FAN) and far.is_shown(PUMP), 10, "the first values")
        assert not far.plant.alerts()
        before = open_descriptors(net)
        net.weather = WEATHER[name]
        began_s = clock.monotonic()
        while clock.monotonic() < began_s + foul_s:
            await asyncio.sleep(0.02)
            wrong.update(far.wrong_values(FAN), far.wrong_values(PUMP))
            looks += far.is_shown(FAN) + far.is_shown(PUMP)
        net.weather = FAIR
        cleared = clock.now()
        lasts = {each: far.plant.live(each).last_good_at for each in (FAN, PUMP)}
        back_s = await until(
            lambda: all((far.plant.live(each).last_good_at or 0) > max(cleared, lasts[each] or 0) for each in lasts), RECOVERY_S, "data"
        )
        await asyncio.sleep(2.0)
        after = open_descriptors(net)
        wrong.update(far.wrong_values(FAN), far.wrong_values(PUMP))
    share = looks / (2 * foul_s / 0.02)
    log.info(
        "%s, both wires, opcua by %s, %g s: %d wrong, shown %.0f %% of the time, back after %.2f s, descriptors %d -> %d, "
        "%d of %d packets lost",
        *(name, opcua, foul_s, len(wrong), 100 * share, back_s, before, after, net.lost, net.lost + net.passed),
    )
    assert wrong == set()
    assert abs(after - before) <= 2
