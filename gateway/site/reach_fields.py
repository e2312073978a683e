"""The sections `modbus` and `opcua` of one starter: where its connection goes and how it is protected."""

from __future__ import annotations

import ipaddress
import re
from enum import StrEnum
from pathlib import Path
from urllib.parse import urlsplit

from gateway.registers.model import Protocol
from gateway.registers.sections import Section
from gateway.site.model import Framing, LinkAddress, OpcuaSecurity, SecurityPolicy, TlsFiles

MODBUS = ("host", "port", "unit", "framing", "tls")
TLS = ("trust", "certificate", "key", "name")
OPCUA = (
    "endpoint",
    "security",
    "policy",
    "certificates",
    "user",
    "password_file",
    "password_variable",
    "user_certificate",
    "user_key",
    "server_uri",
)
_HOST = re.compile(r"(?=.{1,253}$)(?!-)[A-Za-z0-9_-]{1,63}(?:\.(?!-)[A-Za-z0-9_-]{1,63})*\.?")
_MODBUS_PORT, _SECURED_PORT, _OPCUA_PORT = 502, 802, 4840
_HIGHEST_UNIT, _DIRECT_UNIT = 247, 255


class _Security(StrEnum):
    NONE = "none"
    SIGN_AND_ENCRYPT = "sign_and_encrypt"


def read_reached(section: Section, folder: Path) -> tuple[LinkAddress, int] | None:
    """Return the address and the unit id (1 on OPC UA) of a starter, None when they cannot be used; every mistake is noted."""
    modbus, opcua = section.section("modbus"), section.section("opcua")
    if modbus is not None and opcua is not None:
        section.refuse("opcua", "a starter is reached by modbus or by opcua: keep one", found="both")
        return None
    if modbus is not None:
        return _modbus(modbus, folder)
    if opcua is not None:
        address = _opcua(opcua, folder)
        return None if address is None else (address, 1)
    if "modbus" not in section and "opcua" not in section:
        section.require("modbus", "{host: 10.0.0.5, port: 502, unit: 1}")
    return None


def _modbus(section: Section, folder: Path) -> tuple[LinkAddress, int] | None:
    section.allow(MODBUS)
    if "host" not in section:
        section.require("host", "10.0.0.5")
    host = section.text("host", longest=253)
    tls = _tls(section, folder)
    default_port = _MODBUS_PORT if tls is None else _SECURED_PORT
    port = section.whole("port", 1, 65535) if "port" in section else default_port
    framing = section.choice("framing", Framing) or Framing.TCP
    if tls is not None and framing is Framing.RTU:
        section.refuse("framing", "with `tls` the framing is always tcp", found="rtu", allowed="tcp")
    unit = section.whole("unit", 0, 255) if "unit" in section else 1
    if unit is not None and unit != _DIRECT_UNIT and not 1 <= unit <= _HIGHEST_UNIT:
        reason = "unit 0 means every device at once (broadcast)" if unit == 0 else "units 248 to 254 are reserved"
        allowed = "1 to 247, or 255 for a device with its own connection"
        section.refuse("unit", f"{reason}: give the unit id of the starter", allowed=allowed)
        unit = None
    if host is not None and not is_host(host):
        message = "a host name or an IP address alone is needed here: the port goes into `port`"
        section.refuse("host", message, allowed="10.0.0.5, starter-3.plant.example")
        host = None
    if host is None or port is None or unit is None:
        return None
    return LinkAddress(Protocol.MODBUS, host, port, framing=framing, tls=tls), unit


def _tls(section: Section, folder: Path) -> TlsFiles | None:
    inner = section.section("tls")
    if inner is None:
        return None
    inner.allow(TLS)
    if "trust" not in inner:
        inner.require("trust", "certificates/plant-ca.pem")
    trust, certificate, key = (_file(inner, name, folder) for name in ("trust", "certificate", "key"))
    if (certificate is None) != (key is None):
        missing, there = ("key", "certificate") if key is None else ("certificate", "key")
        inner.refuse(there, f"`{there}` needs `{missing}` beside it")
    name = inner.text("name", longest=253) or ""
    return None if trust is None else TlsFiles(trust=trust, certificate=certificate, key=key, name=name)


def _file(section: Section, key: str, folder: Path) -> Path | None:
    text = section.text(key, longest=500)
    return None if text is None else folder / text


def _opcua(section: Section, folder: Path) -> LinkAddress | None:
    section.allow(OPCUA)
    if "endpoint" not in section:
        section.require("endpoint", "opc.tcp://10.0.0.7:4840")
    endpoint = section.text("endpoint", longest=500)
    if endpoint is None:
        return None
    try:
        parts = urlsplit(endpoint)
        host, port = parts.hostname or "", parts.port or _OPCUA_PORT
    except ValueError:
        host, port, parts = "", 0, urlsplit("")
    if parts.scheme != "opc.tcp" or not is_host(host) or parts.username is not None or parts.password is not None:
        shown = endpoint if "@" not in endpoint else "an address with a user name"
        message = "an OPC UA endpoint without a user name is needed here"
        section.refuse("endpoint", message, found=shown, allowed="opc.tcp://10.0.0.7:4840, a path may follow")
        return None
    return LinkAddress(Protocol.OPCUA, host, port, endpoint, security=_security(section, folder))


def _security(section: Section, folder: Path) -> OpcuaSecurity | None:
    """Return how the channel is protected: by default as well as the standard can, not at all only by the plain word."""
    if section.choice("security", _Security) is _Security.NONE:
        for name in OPCUA[2:]:
            if name in section:
                section.refuse(name, f"`{name}` belongs to a protected connection: remove it, or `security: none`")
        return None
    user = section.text("user", longest=200) or ""
    password_file, variable = _file(section, "password_file", folder), section.text("password_variable", longest=200) or ""
    user_certificate, user_key = _file(section, "user_certificate", folder), _file(section, "user_key", folder)
    if user and (password_file is None) == (not variable):
        message = "the password of the user stands in a file or in an environment variable, never here: name one of the two"
        section.refuse("user", message, allowed="`password_file: secrets/opcua` or `password_variable: PLANT_OPCUA_PASSWORD`")
    if not user and (password_file is not None or variable):
        section.refuse("password_file" if password_file is not None else "password_variable", "a password needs `user` beside it")
    if (user_certificate is None) != (user_key is None):
        section.refuse("user_certificate" if user_key is None else "user_key", "`user_certificate` and `user_key` come together")
    elif user_certificate is not None and user:
        section.refuse("user_certificate", "a user logs in by name or by certificate: keep one", found="both")
    return OpcuaSecurity(
        policy=section.choice("policy", SecurityPolicy) or SecurityPolicy.BASIC256SHA256,
        folder=_file(section, "certificates", folder) or folder / "certificates",
        user=user,
        password_file=password_file,
        password_variable=variable,
        user_certificate=user_certificate,
        user_key=user_key,
        server_uri=section.text("server_uri", longest=500) or "",
    )


def is_host(text: str) -> bool:
    """Return whether a text can be a host name or an IP address.

    >>> is_host("10.0.0.5"), is_host("starter-3.plant.example"), is_host("fe80::1"), is_host("10.0.0.5:502")
    (True, True, True, False)
    """
    try:
        ipaddress.ip_address(text)
    except ValueError:
        return _HOST.fullmatch(text) is not None and not re.fullmatch(r"[0-9.]+", text)
    return True
