"""Opening a TCP connection, and why it did not open, in plain words."""

from __future__ import annotations

import asyncio
import errno
import ipaddress
import re
import socket

from gateway.drivers.base import Fault, FaultKind

KEEPALIVE_IDLE_S = 10
KEEPALIVE_EVERY_S = 5
KEEPALIVE_PROBES = 3
USER_TIMEOUT_MS = 10_000
"""Sent data that nobody confirms for so long ends the connection: a pulled cable is noticed even between polls."""
_MANY_CLOSINGS = 10


async def connect_socket(host: str, port: int) -> socket.socket:
    """Return a connected, non-blocking socket with keep-alive set; raises the OSError of the last address tried."""
    refused: OSError | None = None
    for family, address in await _addresses(host, port):
        sock = socket.socket(family, socket.SOCK_STREAM)
        try:
            set_options(sock)
            await asyncio.get_running_loop().sock_connect(sock, address)
        except OSError as error:
            sock.close()
            refused = error
        except asyncio.CancelledError:
            sock.close()
            raise
        else:
            return sock
    raise refused if refused is not None else OSError(errno.EADDRNOTAVAIL, f"{host} has no address")


_Address = tuple[str, int] | tuple[str, int, int, int] | tuple[int, bytes]


async def _addresses(host: str, port: int) -> list[tuple[socket.AddressFamily, _Address]]:
    try:
        literal = ipaddress.ip_address(host)
    except ValueError:
        try:
            found = await asyncio.get_running_loop().getaddrinfo(host, port, type=socket.SOCK_STREAM)
        except UnicodeError as error:
            raise socket.gaierror(socket.EAI_NONAME, f"{host} is no host name") from error
        return [(family, address) for family, _, _, _, address in found]
    return [(socket.AF_INET, (host, port))] if literal.version == 4 else [(socket.AF_INET6, (host, port, 0, 0))]


def set_options(sock: socket.socket) -> None:
    """Make a socket send at once and notice a peer that is gone."""
    sock.setblocking(False)
    sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    sock.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
    # Only Linux has all of these; elsewhere the poll's own timeout does the work.
    for name, setting in (
        ("TCP_KEEPIDLE", KEEPALIVE_IDLE_S),
        ("TCP_KEEPINTVL", KEEPALIVE_EVERY_S),
        ("TCP_KEEPCNT", KEEPALIVE_PROBES),
        ("TCP_USER_TIMEOUT", USER_TIMEOUT_MS),
    ):
        option = getattr(socket, name, None)
        if option is not None:
            sock.setsockopt(socket.IPPROTO_TCP, option, setting)


def connect_fault(error: OSError, host: str, port: int, timeout_s: float) -> Fault:
    """Return why a connection did not open: class and words with what to look at.

    >>> connect_fault(ConnectionRefusedError(111, "refused"), "10.0.0.5", 502, 1.0).text
    '10.0.0.5 is there but refuses port 502: check the port, that the service is switched on, and the number of other clients'
    """
    if isinstance(error, socket.gaierror):
        return _closed(FaultKind.BAD_NAME, f"the name {host} does not resolve: check its spelling in the site file and the name service")
    code = _errno_of(error)
    if code in (errno.ECONNREFUSED, errno.ECONNRESET):
        text = f"{host} is there but refuses port {port}: check the port, that the service is switched on, and the number of other clients"
        return _closed(FaultKind.REFUSED, text)
    if isinstance(error, TimeoutError) or code == errno.ETIMEDOUT:
        text = f"{host} port {port} did not answer within {timeout_s:g} s: check power, cable, address and firewall"
        return _closed(FaultKind.NO_ANSWER, text)
    if code in (errno.EHOSTUNREACH, errno.ENETUNREACH, errno.EHOSTDOWN, errno.ENETDOWN, errno.EADDRNOTAVAIL):
        return _closed(FaultKind.NO_ROUTE, f"there is no route to {host}: check the address, the gateway's network card and the subnet")
    return _closed(FaultKind.NO_ROUTE, f"{host} port {port} cannot be reached: {error.strerror or error}")


def closing_notes(times: int) -> tuple[str, ...]:
    """Return what to tell of a device that closed the connection so often in the middle of a poll; nothing where it may be chance.

    >>> len(closing_notes(9)), closing_notes(10)[0][:71]
    (0, 'the device closed the connection in the middle of a poll 10 times since')
    """
    if times < _MANY_CLOSINGS:
        return ()
    advice = "if it does so after every reply, each request needs a connection of its own: let one request read all that is needed"
    return (f"the device closed the connection in the middle of a poll {times} times since the start; {advice} (`largest_gap` in the map)",)


def _errno_of(error: OSError) -> int | None:
    if error.errno is not None:
        return error.errno
    # asyncio folds the errors of several addresses into one text without a number.
    codes = re.findall(r"\[Errno (\d+)\]", str(error))
    return int(codes[-1]) if codes else None


def _closed(kind: FaultKind, text: str) -> Fault:
    return Fault(kind=kind, text=text, breaks_link=True)
