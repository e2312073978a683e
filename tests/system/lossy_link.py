"""A network between the gateway and a device that can lose, delay, double, shuffle and swallow packets: two network namespaces with a TUN
each, and a bridge between them in the test's own event loop. Every packet passes through Python, so that no loopback shortcut is left.

The test's thread stands in the gateway's namespace while the link is there; `at_device` takes it to the device's for as long as sockets are
made there. Nothing of the machine's own network is touched, and everything is gone with the link.
"""

from __future__ import annotations

import asyncio
import contextlib
import ctypes
import fcntl
import os
import random
import socket
import struct
from collections.abc import AsyncIterator, Iterator
from dataclasses import dataclass, field

import pytest

GATEWAY, DEVICE, MOVED_DEVICE = "10.99.0.1", "10.99.0.2", "10.99.0.3"
_MASK = "255.255.255.0"
_NAME = b"wire"
_OWN_NETWORK = "/proc/thread-self/ns/net"
_TUN = "/dev/net/tun"
# From the kernel's headers: sched.h, if_tun.h, sockios.h, if.h.
_CLONE_NEWNET = 0x40000000
_TUNSETIFF, _IFF_TUN, _IFF_NO_PI = 0x400454CA, 0x0001, 0x1000
_SIOCSIFADDR, _SIOCSIFNETMASK, _SIOCSIFFLAGS = 0x8916, 0x891C, 0x8914
_IFF_UP_RUNNING = 0x1 | 0x40
_MOST_BYTES = 65536
NEEDS = (
    "this test makes network namespaces and needs what the machine refuses ({reason}): run it as root with the capabilities SYS_ADMIN and "
    "NET_ADMIN and with /dev/net/tun (in a container: --cap-add=SYS_ADMIN --cap-add=NET_ADMIN --device=/dev/net/tun)"
)

_libc = ctypes.CDLL(None, use_errno=True)


@dataclass(frozen=True, slots=True)
class Weather:
    """What happens to each packet, drawn anew for every one.

    loss, doubled, held: shares of packets that are lost, come twice, or are held back by `hold_s`, so that later ones overtake them.
    delay_s: of every packet to the gateway.
    """

    loss: float = 0.0
    doubled: float = 0.0
    held: float = 0.0
    hold_s: float = 0.03
    delay_s: float = 0.0


FAIR = Weather()


@dataclass
class LossyLink:
    """The link while it is there. Set `weather`; `is_swallowing` drops everything without a word, as a broken route does."""

    seed: int
    weather: Weather = FAIR
    is_swallowing: bool = False
    passed: int = 0
    lost: int = 0
    doubled: int = 0
    held: int = 0
    _home: int = -1
    _spaces: dict[str, int] = field(default_factory=dict)
    _tuns: dict[str, int] = field(default_factory=dict)
    _controls: dict[str, socket.socket] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self._draw = random.Random(self.seed)

    @contextlib.contextmanager
    def at_device(self) -> Iterator[None]:
        """Make sockets in the device's namespace; nothing else of the test may make any meanwhile."""
        _enter(self._spaces[DEVICE])
        try:
            yield
        finally:
            _enter(self._spaces[GATEWAY])

    def set_up(self, is_up: bool) -> None:
        """Take the gateway's own interface down, as a pulled cable does there, or bring it up again."""
        flags = struct.pack("16sH14x", _NAME, _IFF_UP_RUNNING if is_up else 0)
        fcntl.ioctl(self._controls[GATEWAY], _SIOCSIFFLAGS, flags)

    def move_device(self, address: str) -> None:
        """Give the device another address; nobody answers at the old one."""
        _set_address(self._controls[DEVICE], address)

    def build(self) -> None:
        """Make both namespaces with their interfaces; the thread is in the gateway's afterwards. OSError when the machine refuses."""
        self._home = os.open(_OWN_NETWORK, os.O_RDONLY)
        loop = asyncio.get_running_loop()
        for end in (DEVICE, GATEWAY):
            _call(_libc.unshare(_CLONE_NEWNET))
            self._spaces[end] = os.open(_OWN_NETWORK, os.O_RDONLY)
            self._tuns[end] = tun = os.open(_TUN, os.O_RDWR | os.O_NONBLOCK)
            fcntl.ioctl(tun, _TUNSETIFF, struct.pack("16sH22x", _NAME, _IFF_TUN | _IFF_NO_PI))
            self._controls[end] = control = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
            _set_address(control, end)
            fcntl.ioctl(control, _SIOCSIFFLAGS, struct.pack("16sH14x", _NAME, _IFF_UP_RUNNING))
        loop.add_reader(self._tuns[GATEWAY], self._pass_on, self._tuns[GATEWAY], self._tuns[DEVICE], False)
        loop.add_reader(self._tuns[DEVICE], self._pass_on, self._tuns[DEVICE], self._tuns[GATEWAY], True)

    def tear_down(self) -> None:
        """Take the thread home and leave nothing behind."""
        if self._home < 0:
            return
        _enter(self._home)
        for tun in self._tuns.values():
            asyncio.get_running_loop().remove_reader(tun)
        for control in self._controls.values():
            control.close()
        for each in (*self._tuns.values(), *self._spaces.values(), self._home):
            os.close(each)
        self._home = -1

    def _pass_on(self, source: int, target: int, to_gateway: bool) -> None:
        while True:
            try:
                packet = os.read(source, _MOST_BYTES)
            except BlockingIOError:
                return
            except OSError:
                # The interface is down.
                return
            self._forward(packet, target, to_gateway)

    def _forward(self, packet: bytes, target: int, to_gateway: bool) -> None:
        weather = self.weather
        if self.is_swallowing or self._draw.random() < weather.loss:
            self.lost += 1
            return
        self.passed += 1
        delay_s = weather.delay_s if to_gateway else 0.0
        copies = 1
        if self._draw.random() < weather.doubled:
            self.doubled += 1
            copies = 2
        if self._draw.random() < weather.held:
            self.held += 1
            delay_s += weather.hold_s
        for _ in range(copies):
            if delay_s:
                asyncio.get_running_loop().call_later(delay_s, self._put, target, packet)
            else:
                self._put(target, packet)

    def _put(self, target: int, packet: bytes) -> None:
        if self._home >= 0:
            # A full queue or an interface that is down loses the packet, as it would anywhere.
            with contextlib.suppress(OSError):
                os.write(target, packet)


@contextlib.asynccontextmanager
async def lossy_link(seed: int) -> AsyncIterator[LossyLink]:
    """Yield a link in fair weather. Where the machine allows no namespaces the test is skipped; the run's summary says what is needed."""
    link = LossyLink(seed)
    try:
        try:
            link.build()
        except OSError as error:
            pytest.skip(NEEDS.format(reason=error))
        yield link
    finally:
        link.tear_down()


def _call(result: int) -> None:
    if result != 0:
        number = ctypes.get_errno()
        raise OSError(number, os.strerror(number))


def _enter(space: int) -> None:
    _call(_libc.setns(space, _CLONE_NEWNET))


def _set_address(control: socket.socket, address: str) -> None:
    for request, each in ((_SIOCSIFADDR, address), (_SIOCSIFNETMASK, _MASK)):
        fcntl.ioctl(control, request, struct.pack("16sH2s4s8x", _NAME, socket.AF_INET, b"\0\0", socket.inet_aton(each)))
