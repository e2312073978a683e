"""How the bench reaches a protected device: the same words as in the site file, as options.

A password is never taken from the command line, where every user of the machine could read it.
"""

from __future__ import annotations

import os
import sys
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from gateway.cli.bench_options import wrong
from gateway.site import Framing, OpcuaSecurity, SecurityPolicy, TlsFiles

_OPCUA, _TLS = "Protection (OPC UA)", "Protection (Modbus/TCP Security)"
_PROMPTED = "STARTLEDGER_BENCH_PASSWORD"


class Security(StrEnum):
    """Protection of an OPC UA channel, as in the site file."""

    NONE = "none"
    SIGN_AND_ENCRYPT = "sign_and_encrypt"


TrustOption = Annotated[
    Path | None,
    typer.Option("--tls-trust", help="Encrypt: certificates that may have signed the device's.", show_default=False, rich_help_panel=_TLS),
]
TlsCertificateOption = Annotated[
    Path | None, typer.Option("--tls-certificate", help="Our own certificate (PEM).", show_default=False, rich_help_panel=_TLS)
]
TlsKeyOption = Annotated[Path | None, typer.Option("--tls-key", help="Its key (PEM).", show_default=False, rich_help_panel=_TLS)]
TlsNameOption = Annotated[
    str, typer.Option("--tls-name", help="Name in the device's certificate, where it is not the host.", rich_help_panel=_TLS)
]
SecurityOption = Annotated[
    Security | None,
    typer.Option("--security", help="none if left out and no other of these is given.", show_default=False, rich_help_panel=_OPCUA),
]
PolicyOption = Annotated[
    SecurityPolicy | None, typer.Option("--policy", help="Security policy.", show_default=False, rich_help_panel=_OPCUA)
]
CertificatesOption = Annotated[
    Path | None,
    typer.Option(
        "--certificates",
        help="Sign and encrypt: folder with own/certificate.pem and key.pem, trusted/, revoked/.",
        show_default=False,
        rich_help_panel=_OPCUA,
    ),
]
UserOption = Annotated[str, typer.Option("--user", help="User name; the password is asked for.", rich_help_panel=_OPCUA)]
PasswordFileOption = Annotated[
    Path | None, typer.Option("--password-file", help="File with the password.", show_default=False, rich_help_panel=_OPCUA)
]
PasswordVariableOption = Annotated[
    str, typer.Option("--password-variable", help="Environment variable with the password.", rich_help_panel=_OPCUA)
]
UserCertificateOption = Annotated[
    Path | None, typer.Option("--user-certificate", help="Instead of a user name (PEM).", show_default=False, rich_help_panel=_OPCUA)
]
UserKeyOption = Annotated[Path | None, typer.Option("--user-key", help="Its key (PEM).", show_default=False, rich_help_panel=_OPCUA)]
ServerUriOption = Annotated[
    str, typer.Option("--server-uri", help="Application URI that the server's certificate must name.", rich_help_panel=_OPCUA)
]


def tls_files(trust: Path | None, certificate: Path | None, key: Path | None, name: str, framing: Framing) -> TlsFiles | None:
    """Return the files of an encrypted Modbus connection, None for a plain one; InputError when they do not fit together."""
    if trust is None:
        given = {"--tls-certificate": certificate, "--tls-key": key, "--tls-name": name or None}
        for option, value in given.items():
            if value is not None:
                raise wrong(option, str(value), "--tls-trust FILE beside it", "without --tls-trust the connection would not be encrypted")
        return None
    if (certificate is None) != (key is None):
        option = "--tls-certificate" if key is None else "--tls-key"
        raise wrong(option, str(certificate or key), "both or none", "certificate and key come together")
    if framing is Framing.RTU:
        raise wrong("--framing", framing.value, "tcp", "an encrypted connection always has the framing tcp")
    return TlsFiles(trust=trust, certificate=certificate, key=key, name=name)


def opcua_security(
    security: Security | None,
    policy: SecurityPolicy | None,
    certificates: Path | None,
    user: str,
    password_file: Path | None,
    password_variable: str,
    user_certificate: Path | None,
    user_key: Path | None,
    server_uri: str,
) -> OpcuaSecurity | None:
    """Return how an OPC UA channel is protected, None for not at all; InputError when the options do not fit together."""
    given = {
        "--policy": policy,
        "--certificates": certificates,
        "--user": user,
        "--password-file": password_file,
        "--password-variable": password_variable,
        "--user-certificate": user_certificate,
        "--user-key": user_key,
        "--server-uri": server_uri,
    }
    set_ones = {option: value for option, value in given.items() if value}
    if security is Security.NONE and set_ones:
        option, value = next(iter(set_ones.items()))
        raise wrong(option, str(value), "it, or --security none", "it belongs to a protected connection")
    if security is not Security.SIGN_AND_ENCRYPT and not set_ones:
        return None
    if user and user_certificate is not None:
        raise wrong("--user-certificate", str(user_certificate), "one of the two", "a user logs in by name or by certificate")
    if (user_certificate is None) != (user_key is None):
        raise wrong("--user-key", str(user_key or "nothing"), "both or none", "--user-certificate and --user-key come together")
    if (password_file is not None or password_variable) and not user:
        raise wrong("--user", "nothing", "a user name", "a password needs its user")
    if password_file is not None and password_variable:
        raise wrong("--password-variable", password_variable, "one of the two", "the password stands in a file or in a variable")
    if user and password_file is None and not password_variable:
        password_variable = _prompted(user)
    return OpcuaSecurity(
        policy=policy or SecurityPolicy.BASIC256SHA256,
        folder=certificates or Path("certificates"),
        user=user,
        password_file=password_file,
        password_variable=password_variable,
        user_certificate=user_certificate,
        user_key=user_key,
        server_uri=server_uri,
    )


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
