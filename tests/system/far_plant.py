"""The whole gateway on the near side of a lossy link, and on the far side a truthful device on Modbus and, where wanted, one on OPC UA."""

from __future__ import annotations

import contextlib
import textwrap
from collections.abc import AsyncIterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from gateway.app import running_gateway
from gateway.clock import Clock
from gateway.motors.alert_rules import AlertKind
from gateway.motors.alerts import Alert
from gateway.registers.model import Table
from gateway.services.plant import Plant
from gateway.site import Site, load_site
from gateway.web.motor_rows import Row, row_of
from gateway.web.snapshot import take_snapshot
from simulators.modbus import ModbusServer
from tests.drivers.opcua_server import PLANT, serving
from tests.system.bench import SITE_MOTOR
from tests.system.far_device import PORT, TruthfulDevice, truth_at
from tests.system.lossy_link import DEVICE, LossyLink

FAN, PUMP = "FAN", "PUMP"
MARKS = {"mark_a": 10, "mark_b": 11, "mark_c": 200}
MODBUS_MAP = """\
map: far-fan
protocol: modbus
first_address: 0
timeout: 500 ms
signals:
  running: {at: holding 0, bit: 0}
  current: {at: holding 1, type: uint16, scale: 0.1, unit: A}
  reads: {at: holding 2, type: uint32}
"""
OPCUA_MAP = """\
map: far-pump
protocol: opcua
namespace: %s
fetch: %s
timeout: 500 ms
signals:
  running: {node: s=running}
  current: {node: s=current, unit: A}
  mark_a: {node: s=mark_a}
  mark_b: {node: s=mark_b}
"""
OPCUA_PORT = 4840
OPCUA_TRUTH: Mapping[str, object] = {"running": False, "current": 0.0, "mark_a": 17.5, "mark_b": 4711.0}


@dataclass(frozen=True, slots=True)
class FarPlant:
    """Both sides while they run."""

    net: LossyLink
    plant: Plant
    clock: Clock
    device: TruthfulDevice

    def row(self, name: str) -> Row:
        """Return a motor's row as the pages show it now."""
        snapshot = take_snapshot(self.plant, self.clock.now())
        motor = snapshot.motor(name)
        assert motor is not None
        return row_of(motor, snapshot.at, snapshot.time)

    def is_shown(self, name: str) -> bool:
        """Return whether a motor's values are shown as present ones."""
        return not self.row(name).stale and bool(self.plant.live(name).values)

    def wrong_values(self, name: str) -> list[str]:
        """Return what the plant now says of a motor that is not so."""
        live = self.plant.live(name)
        truth: dict[str, object] = dict(OPCUA_TRUTH) if name == PUMP else {"running": False, "current": 0.0}
        truth |= {key: truth_at(Table.HOLDING, first) for key, first in MARKS.items()} if name == FAN else {}
        return [f"{key} = {value}" for key, value in live.values.items() if key != "reads" and value != truth[key]]

    def silences(self, name: str) -> list[Alert]:
        """Return the standing alerts of a motor, all of which must be that it has no data."""
        alerts = [alert for alert in self.plant.standing_alerts() if alert.starter == name]
        assert {alert.kind for alert in alerts} <= {AlertKind.NO_DATA}
        return alerts


def _site(folder: Path, host: str, fetch: str, standby: str, gap: str) -> Site:
    marks = "".join(f"  {key}: {{at: holding {first}, type: uint16}}\n" for key, first in MARKS.items())
    (folder / "far-fan.yaml").write_text(MODBUS_MAP + marks, encoding="utf-8")
    (folder / "far-pump.yaml").write_text(OPCUA_MAP % (PLANT, fetch or "poll"), encoding="utf-8")
    reach = {FAN: f"map: far-fan.yaml\nmodbus: {{host: {host}, port: {PORT}, unit: 7}}\n"}
    if fetch:
        reach[PUMP] = f'map: far-pump.yaml\nopcua: {{endpoint: "opc.tcp://{host}:{OPCUA_PORT}/plant", security: none}}\n'
    also = f"starter: {{method: soft_starter}}\nthresholds: {{gap: {gap}}}"
    starters = "".join(f"  {name}:\n{textwrap.indent(lines + SITE_MOTOR + also, '    ')}\n" for name, lines in reach.items())
    paces = f"defaults:\n  pace: {{standby: {standby}}}\n"
    text = f"site: Far\ntime_zone: UTC\nstore: sqlite:///far.db\n{paces}starters:\n{starters}"
    (folder / "site.yaml").write_text(text, encoding="utf-8")
    return load_site(folder / "site.yaml")


@contextlib.asynccontextmanager
async def far_plant(
    folder: Path, net: LossyLink, clock: Clock, *, host: str = DEVICE, opcua: str = "", standby: str = "200 ms", gap: str = "5 s"
) -> AsyncIterator[FarPlant]:
    """Yield a gateway that reads the far devices. opcua: how the OPC UA device is read, poll or subscribe; "" for none."""
    device = TruthfulDevice()
    modbus = ModbusServer({7: device}, host="0.0.0.0", port=PORT)
    async with contextlib.AsyncExitStack() as stack:
        with net.at_device():
            await stack.enter_async_context(modbus)
        if opcua:
            with net.at_device():
                await stack.enter_async_context(serving(OPCUA_PORT, dict(OPCUA_TRUTH), host="0.0.0.0"))
        site = replace(_site(folder, host, opcua, standby, gap), store_url=f"sqlite:///{folder / 'far.db'}")
        plant = await stack.enter_async_context(running_gateway(site, clock))
        yield FarPlant(net, plant, clock, device)
        assert modbus.traffic.trap_hits == 0
