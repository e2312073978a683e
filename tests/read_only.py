"""The read-only proof over a whole run: what reached the simulated devices and test servers, parsed; nothing but reads may be among it.

Written after the standards, not after the gateway's own guard, so that a mistake there shows here.
"""

from __future__ import annotations

import json
import sys
from collections import Counter
from dataclasses import dataclass, field
from functools import wraps
from pathlib import Path
from typing import Any

READS = {1: 2000, 2: 2000, 3: 125, 4: 125}
"""Function codes that read and the most that each may ask for (Modbus Application Protocol V1.1b3, 6.1 to 6.4)."""

SERVICES = {
    428: "GetEndpoints",
    452: "CloseSecureChannel",
    461: "CreateSession",
    467: "ActivateSession",
    473: "CloseSession",
    527: "Browse",
    533: "BrowseNext",
    554: "TranslateBrowsePathsToNodeIds",
    631: "Read",
    751: "CreateMonitoredItems",
    787: "CreateSubscription",
    826: "Publish",
    847: "DeleteSubscriptions",
}
"""Services that read, browse and subscribe, by the number of their request in binary encoding (OPC 10000-6, A.3: NodeIds.csv)."""


def fault_of(pdu: bytes) -> str | None:
    """Return what is wrong with a Modbus request, None when it only reads.

    43/14 is Read Device Identification (V1.1b3, 6.21): code 1 to 4 and an object.
    """
    if pdu[:2] == b"\x2b\x0e":
        return None if len(pdu) == 4 and 1 <= pdu[2] <= 4 else f"identification request {pdu.hex(' ')}"
    most = READS.get(pdu[0]) if pdu else None
    if most is None:
        return f"function {pdu[0]}" if pdu else "an empty request"
    count = int.from_bytes(pdu[3:5], "big")
    if len(pdu) != 5 or not 1 <= count <= most or int.from_bytes(pdu[1:3], "big") + count > 65536:
        return f"read request {pdu.hex(' ')}"
    return None


@dataclass
class Record:
    """What was seen. `test` is the running test, "" while a test plays something other than the gateway."""

    test: str = ""
    modbus: Counter[int] = field(default_factory=Counter)
    opcua: Counter[str] = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)
    processes: set[int] = field(default_factory=set)

    def note_modbus(self, unit: int, pdu: bytes, times: int = 1) -> None:
        """Take one request, or the same one several times."""
        if not self.test:
            return
        self.modbus[pdu[0] if pdu else -1] += times
        fault = fault_of(pdu)
        if fault is not None:
            self.wrong.append(f"{fault} to unit {unit} in {self.test}")

    def note_opcua(self, number: int, times: int = 1) -> None:
        """Take one service request, or the same one several times."""
        if not self.test:
            return
        self.opcua[SERVICES.get(number, str(number))] += times
        if number not in SERVICES:
            self.wrong.append(f"OPC UA service {number} in {self.test}")

    def note_service(self, name: str) -> None:
        """Take one service request that a server of another make tells by name, such as "Read"."""
        if not self.test:
            return
        self.opcua[name] += 1
        if name not in SERVICES.values():
            self.wrong.append(f"OPC UA service {name} in {self.test}")

    def note_log(self, log: Path) -> None:
        """Take what simulated devices in processes of their own have written down (`simulators.request_log`)."""
        before, self.test = self.test, "a process of its own"
        for line in log.read_text(encoding="utf-8").splitlines() if log.exists() else ():
            entry = json.loads(line)
            self.processes.add(entry["process"])
            if entry["wire"] == "modbus":
                request = bytes.fromhex(entry["request"])
                self.note_modbus(request[0], request[1:], entry["times"])
            else:
                self.note_opcua(int(entry["request"]), entry["times"])
        self.test = before

    def as_plain(self) -> dict[str, Any]:
        """Return what was seen in plain values, for the process that adds up the parts of a run."""
        return {"modbus": dict(self.modbus), "opcua": dict(self.opcua), "wrong": list(self.wrong), "processes": list(self.processes)}

    def add(self, part: dict[str, Any]) -> None:
        """Add what another process of the same run has seen."""
        self.modbus.update(part["modbus"])
        self.opcua.update(part["opcua"])
        self.wrong.extend(part["wrong"])
        self.processes.update(part["processes"])

    @property
    def summary(self) -> str:
        """What a run tells at its end."""
        modbus = ", ".join(f"{code}: {count}" for code, count in sorted(self.modbus.items())) or "none"
        opcua = ", ".join(f"{name}: {count}" for name, count in sorted(self.opcua.items())) or "none"
        verdict = "only reads" if not self.wrong else f"NOT ONLY READS: {'; '.join(self.wrong[:10])}"
        count = len(self.processes)
        others = f"; {count} process{' of its own' if count == 1 else 'es of their own'} among them" if count else ""
        return f"what reached the devices: {verdict} (Modbus functions {modbus}; OPC UA services {opcua}{others})"


RECORD = Record()


def record_opcua() -> None:
    """Record what reaches every server of the OPC UA library in this process, once that library is loaded."""
    module = sys.modules.get("asyncua.server.uaprocessor")
    if module is None or hasattr(module, "recorded"):
        return
    processor: Any = vars(module)["UaProcessor"]
    taken = processor._process_message

    @wraps(taken)
    async def noting(self: Any, typeid: Any, *rest: Any) -> Any:
        RECORD.note_opcua(typeid.Identifier)
        return await taken(self, typeid, *rest)

    processor._process_message = noting
    vars(module)["recorded"] = True
