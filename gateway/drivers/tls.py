"""Modbus/TCP Security: the encrypted connection, and each refusal in plain words.

Both ends show a certificate (Modbus/TCP Security Protocol Specification, MB-TCP-Security-v21, 8; TLS 1.2 at least). The device's must be
signed by one of the trust file, be in date and name the host that was called; nothing less is accepted, and nothing falls back.
"""

from __future__ import annotations

import ssl

from gateway.drivers.base import Fault, FaultKind
from gateway.drivers.certificates import CertificateError, read_certificate
from gateway.site import TlsFiles

SECURITY_PORT = 802


def client_context(files: TlsFiles) -> ssl.SSLContext | Fault:
    """Return the settings for encrypted connections made from files, or which file cannot be used and why."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    # A device's own certificate may stand in the trust file itself, whoever signed it.
    context.verify_flags |= ssl.VERIFY_X509_PARTIAL_CHAIN
    try:
        context.load_verify_locations(cafile=files.trust)
        if b"BEGIN X509 CRL" in files.trust.read_bytes():
            context.verify_flags |= ssl.VERIFY_CRL_CHECK_LEAF
    except OSError as error:
        return _unusable(f"the trust file {files.trust} cannot be used: {_reason(error)}")
    if files.certificate is not None:
        try:
            read_certificate(files.certificate)
            context.load_cert_chain(files.certificate, files.key, password=_no_password)
        except CertificateError as error:
            return _unusable(str(error))
        except (OSError, ValueError) as error:
            return _unusable(f"the certificate {files.certificate} and the key {files.key} cannot be used: {_reason(error)}")
    return context


def _no_password() -> str:
    # Without this the library would ask at the terminal for the password of an encrypted key.
    raise ValueError("the key is encrypted: store it without a password, readable by the gateway alone")


def _reason(error: BaseException) -> str:
    if isinstance(error, ssl.SSLError):
        return "it holds no certificate, or certificate and key do not belong together" if error.reason else "it is no PEM file"
    return error.strerror if isinstance(error, OSError) and error.strerror else str(error)


def tls_fault(error: OSError, host: str, name: str) -> Fault:
    """Return why an encrypted connection did not come about.

    >>> error = ssl.SSLCertVerificationError(1, "certificate verify failed")
    >>> error.verify_code = 10
    >>> tls_fault(error, "10.0.0.5", "10.0.0.5").text
    "the device's certificate has expired: renew it at the device, and check the gateway's clock"
    """
    if isinstance(error, ssl.SSLCertVerificationError):
        text = _REFUSALS.get(error.verify_code, f"the device's certificate is not accepted ({error})")
        return _unusable(text.format(name=name))
    reason = (error.reason if isinstance(error, ssl.SSLError) else "") or ""
    for mark, text in _ALERTS.items():
        if mark in reason:
            return _unusable(text.format(host=host))
    shown = f" ({reason or error})" if reason or str(error) else ""
    return _unusable(f"{host} breaks off the handshake{shown}: it speaks plain Modbus at this port, or wants a certificate of the gateway")


def _unusable(text: str) -> Fault:
    return Fault(kind=FaultKind.SECURITY, text=text, breaks_link=True)


_UNTRUSTED = "the device's certificate is not trusted: put it, or that of its signer, into the trust file once you have checked it"
_OTHER_NAME = "the device's certificate is not made out to {name}: is this the right device? else give the certificate's name as `name`"
_REFUSALS = {
    9: "the device's certificate is not valid yet: check the gateway's clock and the certificate's dates",
    10: "the device's certificate has expired: renew it at the device, and check the gateway's clock",
    18: _UNTRUSTED,
    19: _UNTRUSTED,
    20: _UNTRUSTED,
    21: _UNTRUSTED,
    23: "the device's certificate has been revoked: do not use this device until you know why",
    62: _OTHER_NAME,
    64: _OTHER_NAME,
}
"""By OpenSSL's number of the reason (X509_V_ERR_..., x509_vfy.h)."""

_OLD = "{host} offers only encryption older than TLS 1.2, which is not used: update the device"
_ALERTS = {
    "UNSUPPORTED_PROTOCOL": _OLD,
    "PROTOCOL_VERSION": _OLD,
    "WRONG_VERSION_NUMBER": "{host} answers without encryption at this port: take its port for Modbus/TCP Security, or leave `tls` out",
    "CERTIFICATE_REQUIRED": "{host} wants a certificate of the gateway: give `certificate` and `key`",
    "HANDSHAKE_FAILURE": "{host} breaks the handshake off: it wants a certificate of the gateway, or other encryption",
    "UNKNOWN_CA": "{host} does not trust the gateway's certificate: load it, or that of its signer, into the device",
    "BAD_CERTIFICATE": "{host} does not accept the gateway's certificate",
    "CERTIFICATE_EXPIRED": "{host} says that the gateway's certificate has expired: renew it",
    "CERTIFICATE_REVOKED": "{host} says that the gateway's certificate has been revoked",
}
