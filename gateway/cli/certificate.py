"""`startledger certificate`."""

from __future__ import annotations

from typing import Annotated, Any

import typer
from cryptography import x509
from cryptography.hazmat.primitives import hashes
from rich.console import Console

from gateway.cli.output import GOOD, JsonOption, SiteArgument, show
from gateway.clock import RealClock
from gateway.drivers.certificates import CertificateError, expires_at, read_certificate
from gateway.drivers.own_certificate import make_certificate
from gateway.errors import InputError, Problem
from gateway.instants import Instant, to_iso
from gateway.site import OpcuaSecurity, load_site


def certificate(
    site: SiteArgument,
    renew: Annotated[bool, typer.Option("--renew", help="Make a new one in place of the old; servers must be told to trust it.")] = False,
    json: JsonOption = False,
) -> None:
    """Make the gateway's own certificate for protected OPC UA connections, or show the one that there is."""
    securities = {each.address.security.folder: each.address.security for each in load_site(site).starters if each.address.security}
    if not securities:
        message = "no starter is reached by a protected OPC UA connection, so that no certificate is needed"
        raise InputError([Problem(file=str(site), field="starters", message=message)])
    result = {"certificates": [_made_or_found(each, renew, RealClock().now()) for each in securities.values()]}
    show(result, json, _print)
    raise typer.Exit(GOOD)


def _made_or_found(security: OpcuaSecurity, renew: bool, now: Instant) -> dict[str, Any]:
    is_there = security.certificate.is_file() and security.key.is_file()
    try:
        is_made = renew or not is_there
        found = make_certificate(security, now) if is_made else read_certificate(security.certificate)
    except OSError as error:
        message = f"the certificate cannot be written: {error.strerror or error}"
        raise InputError([Problem(file=str(security.folder), message=message)]) from error
    except CertificateError as error:
        raise InputError([Problem(file=str(security.certificate), message=f"{error}; --renew makes a new one")]) from error
    return {
        "certificate": str(security.certificate),
        "key": str(security.key),
        "trusted": str(security.trusted),
        "revoked": str(security.revoked),
        "made": is_made,
        "application_uri": _application_uri(found),
        "fingerprint_sha256": found.fingerprint(hashes.SHA256()).hex(),
        "fingerprint_sha1": found.fingerprint(hashes.SHA1()).hex(),
        "expires_at": to_iso(expires_at(found)),
    }


def _application_uri(found: x509.Certificate) -> str | None:
    try:
        names = found.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    except x509.ExtensionNotFound:
        return None
    return next(iter(names.get_values_for_type(x509.UniformResourceIdentifier)), None)


def _print(console: Console, result: dict[str, Any]) -> None:
    for each in result["certificates"]:
        console.print(f"{each['certificate']}: {'made' if each['made'] else 'is there already; --renew makes a new one'}")
        console.print(f"    application  {each['application_uri']}")
        console.print(f"    expires      {each['expires_at'][:10]}")
        console.print(f"    SHA-256      {each['fingerprint_sha256']}")
        console.print(f"    SHA-1        {each['fingerprint_sha1']}")
        console.print("Load this certificate into the OPC UA server and trust it there; compare the fingerprint.")
        console.print(f"Put the server's certificate, or that of its signer, into {each['trusted']},")
        console.print(f"and revocation lists into {each['revoked']}.")
        console.print(f"Keep {each['key']} to the gateway alone.")
