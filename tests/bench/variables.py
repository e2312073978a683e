"""OPC UA servers for the bench's tests: a motor's values as a source, and a server whose variables carry units and ranges."""

from __future__ import annotations

import contextlib
import socket
from collections.abc import AsyncIterator, Mapping
from dataclasses import dataclass

from asyncua import ua
from asyncua.server.server import Server

from simulators.words import Value

URI = "urn:works.example:starter"


@dataclass
class Motor:
    """A motor that runs steadily."""

    current_a: float
    answers: bool = True

    def sample(self) -> tuple[Mapping[str, Value], float]:
        values: dict[str, Value] = {
            "current": self.current_a,
            "voltage": 400.0,
            "power": 30.0,
            "running": True,
            "starting": False,
            "at_speed": True,
            "stopping": False,
            "tripped": False,
            "trip_code": 0,
            "start_count": 12,
            "thermal_used": 40.0,
            "set_ramp_time": 10.0,
            "set_current_limit": 350.0,
            "set_initial_voltage": 40.0,
            "set_flc": 82.0,
        }
        return values, 1_800_000_000.0


@contextlib.asynccontextmanager
async def labelled_server() -> AsyncIterator[str]:
    """Serve a few variables as a good device does: EngineeringUnits and EURange as properties, folders below folders."""
    server = Server()
    await server.init()
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    endpoint = f"opc.tcp://127.0.0.1:{port}/"
    server.set_endpoint(endpoint)
    server.set_security_policy([ua.SecurityPolicyType.NoSecurity])
    server.disable_clock()
    space = await server.register_namespace(URI)
    motor = await server.nodes.objects.add_folder(ua.NodeId("Motor", space), ua.QualifiedName("Motor", space))
    state = await motor.add_folder(ua.NodeId("Motor.State", space), ua.QualifiedName("State", space))
    current = await motor.add_variable(ua.NodeId("Motor.LineCurrent", space), ua.QualifiedName("LineCurrent", space), 41.5)
    unit = ua.EUInformation(DisplayName=ua.LocalizedText("A"), Description=ua.LocalizedText("ampere"))
    await current.add_property(ua.NodeId("Motor.LineCurrent.EU", space), ua.QualifiedName("EngineeringUnits", 0), unit)
    await current.add_property(ua.NodeId("Motor.LineCurrent.Range", space), ua.QualifiedName("EURange", 0), ua.Range(Low=0.0, High=600.0))
    await state.add_variable(ua.NodeId(77, space), ua.QualifiedName("Running", space), True)
    await motor.add_variable(ua.NodeId("Motor.Temperature", space), ua.QualifiedName("Temperature", space), 61.0)
    await state.add_variable(ua.NodeId("State.Temperature", space), ua.QualifiedName("Temperature", space), 25.0)
    await server.start()
    try:
        yield endpoint
    finally:
        await server.stop()
