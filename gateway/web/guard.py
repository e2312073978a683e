"""What stands in front of every route: security headers on each response, and no change from another site's page."""

from __future__ import annotations

from collections.abc import Mapping
from urllib.parse import urlsplit

from starlette.datastructures import MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

SECURITY_HEADERS: Mapping[str, str] = {
    "content-security-policy": "default-src 'self'; object-src 'none'; base-uri 'none'; frame-ancestors 'none'",
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
}
_CHANGES_NOTHING = frozenset({"GET", "HEAD", "OPTIONS"})


class SecurityHeaders:
    """Adds the headers to every response, streams and downloads included. What a route has set itself stays."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in SECURITY_HEADERS.items():
                    headers.setdefault(name, value)
                headers.setdefault("cache-control", "no-store")
            await send(message)

        await self._app(scope, receive, send_with_headers)


def is_foreign(method: str, headers: Mapping[str, str]) -> bool:
    """Return whether a changing request comes from a page of another site.

    Browsers say so by `Sec-Fetch-Site`, older ones by `Origin` alone. A request with neither comes from no browser (a script of the plant)
    and carries no one else's rights, since there is no log-in yet.

    >>> is_foreign("POST", {"host": "gw:8460", "origin": "http://evil.example"}), is_foreign("POST", {"host": "gw:8460", "origin": "http://gw:8460"})
    (True, False)
    """
    if method in _CHANGES_NOTHING:
        return False
    site = headers.get("sec-fetch-site")
    if site is not None and site not in ("same-origin", "none"):
        return True
    origin = headers.get("origin")
    if origin is None:
        return False
    return urlsplit(origin).netloc.lower() != headers.get("host", "").lower()
