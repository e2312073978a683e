"""Where a PLC may write: from the user's words and from the map."""

from __future__ import annotations

from pathlib import Path

import pytest

from gateway.errors import InputError
from gateway.registers.load import load_map
from gateway.registers.model import RegisterMap, Table
from simulators.command_places import read_commands
from simulators.commands import Order
from simulators.image import Image

MODBUS = """
map: bench
protocol: modbus
first_address: 1
signals:
  current: {at: holding 10, type: uint16, unit: A}
  command: {at: holding 1, bit: 8}
  running: {at: holding 1, bit: 0}
  stop: {at: coil 5}
  reset: {at: discrete 3}
"""
OPCUA = """
map: panel
protocol: opcua
namespace: urn:tarn-hollow:panel
signals:
  current: {node: s=Fan.Current, unit: A}
  start: {node: s=Fan.Start}
"""


def made(folder: Path, text: str) -> RegisterMap:
    (folder / "map.yaml").write_text(text, encoding="utf-8")
    return load_map(folder / "map.yaml")


def test_places_of_the_map_that_can_be_written(tmp_path: Path) -> None:
    commands = read_commands(made(tmp_path, MODBUS), [])
    assert [(place.order, place.table, place.address, place.bit) for place in commands.places] == [
        (Order.RUN, Table.HOLDING, 0, 8),
        (Order.STOP, Table.COIL, 4, None),
    ]
    assert commands.lines[0] == "run: holding 1 bit 8 (command)"
    # The register of the status bits shows the device, the coil what was written.
    assert commands.shown_by_device == {(Table.HOLDING, 0)}


def test_places_of_the_user_and_their_readback(tmp_path: Path) -> None:
    written = ["start=holding 100 bit 0", "trip = holding 100 value 0x10", "reset: 00007", "stop=coil 20"]
    commands = read_commands(made(tmp_path, MODBUS), written)
    assert [(place.order, place.table, place.address, place.bit, place.value) for place in commands.places] == [
        (Order.START, Table.HOLDING, 99, 0, None),
        (Order.TRIP, Table.HOLDING, 99, None, 16),
        (Order.RESET, Table.COIL, 6, None, None),
        (Order.STOP, Table.COIL, 19, None, None),
        (Order.RUN, Table.HOLDING, 0, 8, None),
    ]
    image = Image(commands.map)
    assert image.read(Table.HOLDING, 99, 1) is not None
    assert image.read(Table.COIL, 19, 1) is not None


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("holding 100", "write the command and its place"),
        ("go=coil 1", "no such command"),
        ("start=input 5", "only coils and holding registers"),
        ("start=holding 5-6", "only coils and holding registers"),
        ("start=coil 1 bit 0", "one bit already"),
        ("start=holding 5 bit 16", "too large"),
        ("start=holding 5 value 65536", "too large"),
        ("start=somewhere", "not an address"),
    ],
)
def test_places_that_cannot_be(tmp_path: Path, text: str, message: str) -> None:
    with pytest.raises(InputError, match=message):
        read_commands(made(tmp_path, MODBUS), [text])


@pytest.mark.parametrize("text", [MODBUS, OPCUA])
def test_a_map_without_any_is_told_what_to_do(tmp_path: Path, text: str) -> None:
    bare = "\n".join(line for line in text.splitlines() if "command" not in line and "stop" not in line and "start" not in line)
    with pytest.raises(InputError, match="name one with --command"):
        read_commands(made(tmp_path, bare), [])


def test_nodes(tmp_path: Path) -> None:
    commands = read_commands(made(tmp_path, OPCUA), ["run=s=Fan.Run", "reset=nsu=urn:other;i=5", "trip=s=Fan.Current"])
    assert [(node.order, node.key) for node in commands.nodes] == [
        (Order.RUN, "command_run"),
        (Order.RESET, "command_reset"),
        (Order.TRIP, "current"),
        (Order.START, "start"),
    ]
    added = {signal.name: signal.place for signal in commands.map.signals[2:]}
    assert [getattr(place, "namespace_uri", "") for place in added.values()] == ["urn:tarn-hollow:panel", "urn:other"]
    with pytest.raises(InputError, match="not a node"):
        read_commands(made(tmp_path, OPCUA), ["run=Fan.Run"])
