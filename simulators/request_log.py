"""Every kind of request that reached the simulated devices of this process, written to a file, so that a proof can span processes.

The file is named by an environment variable, with the process before it that records what reaches its own devices by itself, such as
"4711:/tmp/requests"; without the variable nothing is recorded. A line is written as soon as a request is first seen, so that
a process that is killed has told all it saw but the counts.
"""

from __future__ import annotations

import atexit
import json
import os
from collections import Counter
from functools import wraps
from pathlib import Path
from typing import Any

from simulators import traffic

VARIABLE = "STARTLEDGER_REQUEST_LOG"
MODBUS, OPCUA = "modbus", "opcua"
_running: list[RequestLog] = []


class RequestLog:
    """Counts requests by what they ask; each is one line of JSON: process, wire, request and how often.

    The request is on Modbus unit and protocol data unit in hexadecimal, on OPC UA the number of the service's request in binary encoding.

    >>> import tempfile
    >>> folder = tempfile.TemporaryDirectory()
    >>> log = RequestLog(Path(folder.name) / "requests")
    >>> log.note_modbus(7, bytes.fromhex("0300000002")), log.note_modbus(7, bytes.fromhex("0300000002")), log.end()
    (None, None, None)
    >>> [(line["request"], line["times"]) for line in map(json.loads, log.path.read_text().splitlines())]
    [('070300000002', 1), ('070300000002', 1)]
    >>> folder.cleanup()
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._seen: Counter[tuple[str, str]] = Counter()

    def note_modbus(self, unit: int, pdu: bytes) -> None:
        """Count a Modbus request."""
        self._note(MODBUS, (bytes([unit]) + pdu).hex())

    def note_opcua(self, service: int) -> None:
        """Count an OPC UA service request."""
        self._note(OPCUA, str(service))

    def _note(self, wire: str, request: str) -> None:
        self._seen[wire, request] += 1
        if self._seen[wire, request] == 1:
            self._write(wire, request, 1)

    def end(self) -> None:
        """Write how often each request came after the first time."""
        for (wire, request), times in self._seen.items():
            if times > 1:
                self._write(wire, request, times - 1)
        self._seen.clear()

    def _write(self, wire: str, request: str, times: int) -> None:
        line = json.dumps({"process": os.getpid(), "wire": wire, "request": request, "times": times})
        # One write each, appended: several processes may share the file.
        with self.path.open("ab", buffering=0) as file:
            file.write(line.encode() + b"\n")


def begin_if_wanted() -> None:
    """Record from now on when the environment names a file and this is not the process that named it; a second call does nothing."""
    process, _, name = os.environ.get(VARIABLE, "").partition(":")
    if not name or process == str(os.getpid()) or _running:
        return
    log = RequestLog(Path(name))
    _running.append(log)
    traffic.listeners.append(log.note_modbus)
    _listen_to_opcua(log)
    atexit.register(log.end)


def _listen_to_opcua(log: RequestLog) -> None:
    # Imported here: Modbus alone need not wait for this library.
    from asyncua.server.uaprocessor import UaProcessor
    from asyncua.ua.ua_binary import nodeid_from_binary

    processor: Any = UaProcessor
    taken = processor.process_message

    @wraps(taken)
    async def noting(self: Any, header: Any, body: Any) -> Any:
        log.note_opcua(int(str(nodeid_from_binary(body.copy()).Identifier)))
        return await taken(self, header, body)

    processor.process_message = noting
