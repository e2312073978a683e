"""How the bench reaches a protected device: the same words as in the site file, as options.

A password is never taken from the command line, where every user of the machine could read it.
"""

from __future__ import annotations

import os
import sys
from dataclasses import dataclass, fields
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from gateway.cli.bench_options import Visit, host_and_port, wrong
from gateway.site import Framing, OpcuaSecurity, SecurityPolicy, TlsFiles

_OPCUA, _TLS = "Protection (OPC UA)", "Protection (Modbus/TCP Security)"
_PROMPTED = "STARTLEDGER_BENCH_PASSWORD"


class Security(StrEnum):
    """Protection of an OPC UA channel, as in the site file."""

    NONE = "none"
    SIGN_AND_ENCRYPT = "sign_and_encrypt"


@dataclass(frozen=True, slots=True, kw_only=True)
class ModbusWay:
    """How a Modbus device is reached: its framing, and the files of an encrypted connection."""

    framing: Annotated[Framing, typer.Option("--framing", help="tcp, or rtu for bridges that pass serial frames on.")] = Framing.TCP
    tls_trust: Annotated[
        Path | None,
        typer.Option(
            "--tls-trust", help="Encrypt: certificates that may have signed the device's.", show_default=False, rich_help_panel=_TLS
        ),
    ] = None
    tls_certificate: Annotated[
        Path | None, typer.Option("--tls-certificate", help="Our own certificate (PEM).", show_default=False, rich_help_panel=_TLS)
    ] = None
    tls_key: Annotated[Path | None, typer.Option("--tls-key", help="Its key (PEM).", show_default=False, rich_help_panel=_TLS)] = None
    tls_name: Annotated[
        str, typer.Option("--tls-name", help="Name in the device's certificate, where it is not the host.", rich_help_panel=_TLS)
    ] = ""

    def visit(self, address: str, *, unit: int, rate: float, timeout_s: float, record: Path | None, answers_id_zero: bool = False) -> Visit:
        """Return the visit to the device at this address; InputError when options or address do not fit together."""
        tls = self.files()
        host, port = host_and_port(address, tls)
        return Visit(
            host=host,
            port=port,
            unit=unit,
            rate=rate,
            timeout_s=timeout_s,
            framing=self.framing,
            answers_id_zero=answers_id_zero,
            record=record,
            tls=tls,
        )

    def files(self) -> TlsFiles | None:
        """Return the files of an encrypted connection, None for a plain one; InputError when they do not fit together."""
        certificate, key = self.tls_certificate, self.tls_key
        if self.tls_trust is None:
            given = {"--tls-certificate": certificate, "--tls-key": key, "--tls-name": self.tls_name or None}
            for option, value in given.items():
                if value is not None:
                    allowed = "--tls-trust FILE beside it"
                    raise wrong(option, str(value), allowed, "without --tls-trust the connection would not be encrypted")
            return None
        if (certificate is None) != (key is None):
            option = "--tls-certificate" if key is None else "--tls-key"
            raise wrong(option, str(certificate or key), "both or none", "certificate and key come together")
        if self.framing is Framing.RTU:
            raise wrong("--framing", self.framing.value, "tcp", "an encrypted connection always has the framing tcp")
        return TlsFiles(trust=self.tls_trust, certificate=certificate, key=key, name=self.tls_name)


@dataclass(frozen=True, slots=True, kw_only=True)
class OpcuaWay:
    """How an OPC UA channel is protected and who logs in."""

    security: Annotated[
        Security | None,
        typer.Option("--security", help="none if left out and no other of these is given.", show_default=False, rich_help_panel=_OPCUA),
    ] = None
    policy: Annotated[
        SecurityPolicy | None, typer.Option("--policy", help="Security policy.", show_default=False, rich_help_panel=_OPCUA)
    ] = None
    certificates: Annotated[
        Path | None,
        typer.Option(
            "--certificates",
            help="Sign and encrypt: folder with own/certificate.pem and key.pem, trusted/, revoked/.",
            show_default=False,
            rich_help_panel=_OPCUA,
        ),
    ] = None
    user: Annotated[str, typer.Option("--user", help="User name; the password is asked for.", rich_help_panel=_OPCUA)] = ""
    password_file: Annotated[
        Path | None, typer.Option("--password-file", help="File with the password.", show_default=False, rich_help_panel=_OPCUA)
    ] = None
    password_variable: Annotated[
        str, typer.Option("--password-variable", help="Environment variable with the password.", rich_help_panel=_OPCUA)
    ] = ""
    user_certificate: Annotated[
        Path | None, typer.Option("--user-certificate", help="Instead of a user name (PEM).", show_default=False, rich_help_panel=_OPCUA)
    ] = None
    user_key: Annotated[Path | None, typer.Option("--user-key", help="Its key (PEM).", show_default=False, rich_help_panel=_OPCUA)] = None
    server_uri: Annotated[
        str, typer.Option("--server-uri", help="Application URI that the server's certificate must name.", rich_help_panel=_OPCUA)
    ] = ""

    def protection(self) -> OpcuaSecurity | None:
        """Return how the channel is protected, None for not at all; InputError when the options do not fit together.

        Asks for the password at the terminal where a user is named without one.
        """
        given = self._given()
        if self.security is Security.NONE and given:
            option, value = next(iter(given.items()))
            raise wrong(option, str(value), "it, or --security none", "it belongs to a protected connection")
        if self.security is not Security.SIGN_AND_ENCRYPT and not given:
            return None
        self._check_user()
        variable = self.password_variable
        if self.user and self.password_file is None and not variable:
            variable = _prompted(self.user)
        return OpcuaSecurity(
            policy=self.policy or SecurityPolicy.BASIC256SHA256,
            folder=self.certificates or Path("certificates"),
            user=self.user,
            password_file=self.password_file,
            password_variable=variable,
            user_certificate=self.user_certificate,
            user_key=self.user_key,
            server_uri=self.server_uri,
        )

    def _given(self) -> dict[str, object]:
        """Return the options that were given beside --security, by their name on the command line."""
        values = {f"--{each.name.replace('_', '-')}": getattr(self, each.name) for each in fields(self) if each.name != "security"}
        return {option: value for option, value in values.items() if value}

    def _check_user(self) -> None:
        if self.user and self.user_certificate is not None:
            raise wrong("--user-certificate", str(self.user_certificate), "one of the two", "a user logs in by name or by certificate")
        if (self.user_certificate is None) != (self.user_key is None):
            message = "--user-certificate and --user-key come together"
            raise wrong("--user-key", str(self.user_key or "nothing"), "both or none", message)
        if (self.password_file is not None or self.password_variable) and not self.user:
            raise wrong("--user", "nothing", "a user name", "a password needs its user")
        if self.password_file is not None and self.password_variable:
            message = "the password stands in a file or in a variable"
            raise wrong("--password-variable", self.password_variable, "one of the two", message)


def _prompted(user: str) -> str:
    """Ask for the password at the terminal; return the variable of this process that holds it."""
    if not sys.stdin.isatty():
        allowed = "--password-variable NAME or --password-file FILE"
        raise wrong("--user", user, allowed, "there is no terminal to ask for the password at")
    os.environ[_PROMPTED] = typer.prompt(f"Password of {user}", hide_input=True, err=True)
    return _PROMPTED


def protection_text(security: OpcuaSecurity | None) -> str:
    """Return how the channel is protected, for the announcement."""
    if security is None:
        return "without protection (--certificates FOLDER signs and encrypts)"
    return f"signed and encrypted with {security.policy.value}{f' as {security.user}' if security.user else ''}"
