"""Certificates as files and dates: read, described, and named in time before they expire."""

from __future__ import annotations

from pathlib import Path

from cryptography import x509

from gateway.instants import HOUR, Instant, from_datetime, to_iso

DAY: Instant = 24 * HOUR
WARNING_DAYS = (30, 7, 1)
"""How long before a certificate expires this is told."""

PEM_MARK = b"-----BEGIN "


class CertificateError(Exception):
    """A certificate file cannot be used; the text says which and why."""


def read_certificate(path: Path) -> x509.Certificate:
    """Return the first certificate of a file, PEM or DER; CertificateError says what is wrong with the file."""
    try:
        content = path.read_bytes()
        return x509.load_pem_x509_certificate(content) if PEM_MARK in content else x509.load_der_x509_certificate(content)
    except OSError as error:
        raise CertificateError(f"the certificate {path} cannot be read: {error.strerror or error}") from error
    except ValueError as error:
        raise CertificateError(f"{path} holds no certificate in PEM or DER") from error


def expires_at(certificate: x509.Certificate) -> Instant:
    """Return the instant from which a certificate is no longer valid."""
    return from_datetime(certificate.not_valid_after_utc)


def expiry_note(whose: str, expires: Instant, now: Instant) -> str:
    """Return a sentence when a certificate expires within 30, 7 or 1 days or has expired, "" while there is time.

    whose: what it is the certificate of, such as "the device's certificate".

    >>> [expiry_note("the device's certificate", days * DAY, 0) for days in (31, 29.5)]
    ['', "the device's certificate expires within 30 days, on 1970-01-30: renew it"]
    >>> expiry_note("the device's certificate", 0, DAY)
    "the device's certificate expired on 1970-01-01: no connection is made with it"
    """
    on = to_iso(expires)[:10]
    if expires <= now:
        return f"{whose} expired on {on}: no connection is made with it"
    left = [days for days in WARNING_DAYS if expires - now <= days * DAY]
    if not left:
        return ""
    within = "a day" if min(left) == 1 else f"{min(left)} days"
    return f"{whose} expires within {within}, on {on}: renew it"
