"""What an OPC UA server's refusal means, in plain words with what to look at. Pure."""

from __future__ import annotations

from gateway.drivers.base import Fault, FaultKind

_ADVICE = {
    "BadTooManySessions": (
        FaultKind.REFUSED,
        "the server has no session left: another client holds them, or lost ones have not timed out yet",
    ),
    "BadMaxConnectionsReached": (FaultKind.REFUSED, "the server takes no further connection: look at its other clients"),
    "BadTcpServerTooBusy": (FaultKind.REFUSED, "the server is too busy"),
    "BadSessionIdInvalid": (FaultKind.CLOSED, "the server has forgotten the session: it restarted, or the session timed out"),
    "BadSessionClosed": (FaultKind.CLOSED, "the server closed the session"),
    "BadSessionNotActivated": (FaultKind.CLOSED, "the server has dropped the session: it restarted, or somebody ended it there"),
    "BadShutdown": (FaultKind.CLOSED, "the server is shutting down"),
    "BadServerHalted": (FaultKind.CLOSED, "the server has stopped its work and does not answer reads"),
    "BadSecureChannelTokenUnknown": (FaultKind.CLOSED, "the server no longer takes the key of the channel: it restarted, or was too busy"),
    "BadTcpNotEnoughResources": (FaultKind.REFUSED, "the server has no room for another connection"),
    "BadSecureChannelIdInvalid": (FaultKind.CLOSED, "the server has forgotten the channel: it restarted"),
    "BadSecureChannelClosed": (FaultKind.CLOSED, "the server closed the channel"),
    "BadTcpEndpointUrlInvalid": (FaultKind.REFUSED, "the server does not know this endpoint path: check the endpoint in the site file"),
    "BadTimeout": (FaultKind.NO_ANSWER, "the server gave up on the request: it is overloaded or its own source is silent"),
    "BadUserAccessDenied": (FaultKind.SECURITY, "the server does not let an anonymous client read: it wants a user or a certificate"),
    "BadIdentityTokenRejected": (FaultKind.SECURITY, "the server takes no anonymous client: it wants a user or a certificate"),
    "BadIdentityTokenInvalid": (FaultKind.SECURITY, "the server takes no anonymous client: it wants a user or a certificate"),
    "BadSecurityPolicyRejected": (FaultKind.SECURITY, "the server does not allow an unencrypted connection"),
    "BadSecurityModeRejected": (FaultKind.SECURITY, "the server does not allow an unencrypted connection"),
    "BadSecurityChecksFailed": (FaultKind.SECURITY, "the server refused the connection for its security rules; its own log says which"),
}
_ADVICE_TO_A_USER = "the server does not accept the user: check name and password, or the user's certificate"
_OF_A_USER = ("BadUserAccessDenied", "BadIdentityTokenRejected", "BadIdentityTokenInvalid", "BadUserSignatureInvalid")
_OWN_CERTIFICATE = "the server does not accept the gateway's certificate: load it into the server and trust it there"
_ADVICE_SECURED = {
    "BadSecurityChecksFailed": _OWN_CERTIFICATE,
    "BadCertificateUntrusted": _OWN_CERTIFICATE,
    "BadCertificateInvalid": "the server finds the gateway's certificate invalid: make one with `startledger certificate SITE --renew`",
    "BadCertificateTimeInvalid": "the server finds the gateway's certificate expired or not yet valid: check both clocks, or renew it",
    "BadCertificateRevoked": "the server says that the gateway's certificate has been revoked",
    "BadCertificateUriInvalid": "the server misses the right application URI in the gateway's certificate: make a new one",
    "BadCertificateUseNotAllowed": "a certificate is not made for this: a server's must allow server authentication, signing, encryption",
    "BadSecurityPolicyRejected": "the server does not offer this security policy: choose another `policy`",
    "BadSecurityModeRejected": "the server does not offer a signed and encrypted connection",
}


def fault_of_status(name: str, *, has_user: bool = False, is_secured: bool = False) -> Fault:
    """Return the fault of a service that ended with this status code; all of them end the session.

    has_user: a user was named; is_secured: the channel was to be signed and encrypted.

    >>> fault_of_status("BadTooManySessions").kind.value
    'refused'
    >>> fault_of_status("BadInternalError").text
    'the server answers BadInternalError: look at its own log'
    """
    kind, text = _ADVICE.get(name, (FaultKind.SECURITY if "Certificate" in name else FaultKind.BAD_STATUS, ""))
    if is_secured and name in _ADVICE_SECURED:
        kind, text = FaultKind.SECURITY, _ADVICE_SECURED[name]
    if has_user and name in _OF_A_USER:
        kind, text = FaultKind.SECURITY, _ADVICE_TO_A_USER
    shown = f"{text} ({name})" if text else f"the server answers {name}: look at its own log"
    return Fault(kind=kind, text=shown, breaks_link=True)


def unreadable(error: BaseException, *, is_secured: bool = False) -> Fault:
    """Return the fault of a reply that the protocol library could not take apart.

    >>> unreadable(ValueError("bad length")).text
    'a reply that is no OPC UA (bad length): check that this port speaks OPC UA'
    >>> unreadable(RuntimeError("No matching endpoints: 1, none")).kind.value
    'security'
    """
    if "No matching endpoints" in str(error):
        text = "the server offers no unencrypted endpoint: leave `security: none` out of the site file"
        if is_secured:
            text = "the server does not offer the endpoint again that it offered before: its settings are being changed"
        return Fault(kind=FaultKind.SECURITY, text=text, breaks_link=True)
    if "certificate mismatch" in str(error) or type(error).__name__ == "InvalidSignature":
        text = "the server shows another certificate than it announced, or cannot prove that it is its own: do not trust this connection"
        return Fault(kind=FaultKind.SECURITY, text=text, breaks_link=True)
    return Fault(kind=FaultKind.GARBAGE, text=f"a reply that is no OPC UA ({error}): check that this port speaks OPC UA", breaks_link=True)
