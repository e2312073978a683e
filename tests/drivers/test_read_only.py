"""No driver holds a call that could change a device: a look at the source itself, beside the guards on the wire."""

from __future__ import annotations

import ast
import asyncio
from pathlib import Path

import pytest

import gateway.drivers
from gateway.drivers.guard import check_outgoing
from gateway.drivers.modbus_wire import BlockedRequestError, Wire

CHANGING = {
    # pymodbus
    "write_coil", "write_coils", "write_register", "write_registers", "write_file_record", "mask_write_register",
    "readwrite_registers", "diag_query_data", "diag_restart_communication", "diag_force_listen_only", "diag_clear_counters", "execute",
    # asyncua
    "write", "write_value", "write_values", "write_attribute", "write_attributes", "set_value", "set_values", "set_attribute",
    "set_writable", "call", "call_method", "history_update", "add_nodes", "add_references", "delete_nodes", "delete_references",
    "register_server", "send", "sendto", "sendall", "sock_sendall",
}  # fmt: skip


def test_no_driver_names_a_call_that_changes_a_device() -> None:
    folder = Path(gateway.drivers.__file__).parent
    files = sorted(folder.glob("*.py"))
    assert len(files) > 5
    found = [
        f"{file.name}:{node.lineno}: {node.attr}"
        for file in files
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8")))
        if isinstance(node, ast.Attribute) and node.attr in CHANGING
    ]
    # Bytes leave the Modbus driver at one place, which `test_the_one_place_from_which_bytes_leave_asks_the_guard` looks at.
    assert [each.split(":")[0] for each in found] == ["modbus_wire.py"]
    assert found[0].endswith(": write")
    texts = [
        f"{file.name}:{node.lineno}"
        for file in files
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8")))
        if isinstance(node, ast.Call)
        and isinstance(node.func, ast.Name)
        and node.func.id in ("getattr", "eval", "exec", "__import__")
        and file.name != "sockets.py"
    ]
    assert not texts, "calls by name would slip past this check"


def test_the_one_place_from_which_bytes_leave_asks_the_guard() -> None:
    """`Wire.ask` refuses what the guard refuses, whatever it is, before it touches the transport."""
    sent: list[bytes] = []

    class Transport(asyncio.Transport):
        def write(self, data: bytes | bytearray | memoryview) -> None:
            sent.append(bytes(data))

    wire = Wire(check_outgoing, lambda data: None, lambda: None)
    wire.connection_made(Transport())
    for function in range(256):
        frame = bytes.fromhex("000100000006 11") + bytes([function]) + bytes.fromhex("006B 0003")
        if function in (1, 2, 3, 4):
            wire.ask(frame)
        else:
            with pytest.raises(BlockedRequestError):
                wire.ask(frame)
    assert [frame[7] for frame in sent] == [1, 2, 3, 4]
