"""`startledger simulate`."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Annotated

import typer

from gateway.cli.output import out
from gateway.errors import InputError, Problem
from gateway.registers.load import load_map


def simulate(
    map_file: Annotated[Path, typer.Argument(metavar="MAP", help="The register map.", show_default=False)],
    motor: Annotated[str, typer.Option(help="The motor: '45 kW 400 V 1478 rpm 80 A, power_factor: 0.86'. The rest is typical.")] = "",
    load: Annotated[str, typer.Option(help="fan, pump, conveyor, compressor or table: 'pump, torque: 80 %, static_head: 60 %'.")] = "",
    method: Annotated[str, typer.Option(help="How it starts: 'soft_starter, ramp_time: 8 s', star_delta, direct_on_line ...")] = "",
    device: Annotated[str, typer.Option(help="How the starter measures: 'noise: 0.5 %, unbalance: 1 %, start_count: 8120'.")] = "",
    supply: Annotated[str, typer.Option(help="The supply: 'voltage: 98 %, dip: 0.5 %, unbalance: 1 %'.")] = "",
    protection: Annotated[str, typer.Option(help="Its trips: 'start_time: 20 s, stall_time: off'.")] = "",
    host: Annotated[str, typer.Option(help="Address to serve on; 0.0.0.0 lets other machines in.")] = "127.0.0.1",
    port: Annotated[int | None, typer.Option(min=0, max=65535, help="Port; 15020 for Modbus, 14840 for OPC UA, 0 any free one.")] = None,
    unit: Annotated[int, typer.Option(min=1, max=247, help="Modbus unit.")] = 1,
    rtu: Annotated[bool, typer.Option("--rtu", help="RTU frames over TCP instead of Modbus TCP.")] = False,
    accept_commands: Annotated[
        bool, typer.Option("--accept-commands", help="Let the PLC write the map's signals command, run, start, stop, reset, trip.")
    ] = False,
    command: Annotated[
        list[str] | None, typer.Option(help="A place the PLC may write: 'start=coil 1', 'run=holding 100 bit 0', 'reset=s=Cmd.Reset'.")
    ] = None,
    set_value: Annotated[list[str] | None, typer.Option("--set", help="What a signal without a role holds: 'model=RP-45'.")] = None,
    control_port: Annotated[int, typer.Option(min=0, max=65535, help="Port of the HTTP control on this machine; 0 any free one.")] = 0,
    no_control: Annotated[bool, typer.Option("--no-control", help="No HTTP control.")] = False,
    seed: Annotated[int, typer.Option(min=0, help="Seed of the noise.")] = 1,
    truth: Annotated[Path | None, typer.Option(help="File for what really happened, JSON lines, written at the end.")] = None,
) -> None:
    """Serve a simulated starter from a register map, for trying maps and PLC code before the panel is energised."""
    # The simulators belong to this command and the demo alone: a gateway in service never loads them.
    from simulators.one_starter import Wishes, read_constants
    from simulators.simulate import Serving
    from simulators.simulate import simulate as served

    register_map = load_map(map_file)
    if rtu and register_map.protocol.value != "modbus":
        raise InputError([Problem(file="command line", field="--rtu", message="this map is for OPC UA, which has no RTU frames")])
    wishes = Wishes(
        motor=motor,
        load=load,
        method=method,
        device=device,
        supply=supply,
        protection=protection,
        constants=read_constants(register_map, set_value or ()),
        seed=seed,
    )
    serving = Serving(
        host=host,
        port=port,
        unit=unit,
        rtu=rtu,
        control_port=None if no_control else control_port,
        accept_commands=accept_commands,
        commands=tuple(command or ()),
        truth=truth,
    )
    asyncio.run(served(register_map, wishes, serving, _tell))


def _tell(text: str) -> None:
    out.print(text)
    # A script that reads through a pipe must see where the starter listens before anything else happens.
    out.file.flush()
