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


def fault_of_status(name: str) -> Fault:
    """Return the fault of a service that ended with this status code; all of them end the session.

    >>> fault_of_status("BadTooManySessions").kind.value
    'refused'
    >>> fault_of_status("BadInternalError").text
    'the server answers BadInternalError: look at its own log'
    """
    kind, text = _ADVICE.get(name, (FaultKind.SECURITY if "Certificate" in name else FaultKind.BAD_STATUS, ""))
    shown = f"{text} ({name})" if text else f"the server answers {name}: look at its own log"
    return Fault(kind=kind, text=shown, breaks_link=True)


def unreadable(error: BaseException) -> Fault:
    """Return the fault of a reply that the protocol library could not take apart.

    >>> unreadable(ValueError("bad length")).text
    'a reply that is no OPC UA (bad length): check that this port speaks OPC UA'
    >>> unreadable(RuntimeError("No matching endpoints: 1, none")).kind.value
    'security'
    """
    if "No matching endpoints" in str(error):
        text = "the server offers no unencrypted endpoint; encrypted ones are not supported yet"
        return Fault(kind=FaultKind.SECURITY, text=text, breaks_link=True)
    return Fault(kind=FaultKind.GARBAGE, text=f"a reply that is no OPC UA ({error}): check that this port speaks OPC UA", breaks_link=True)
