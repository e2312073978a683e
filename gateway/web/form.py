"""What the forms of the pages send: read with a bound on its size, and the name of the person who sent it kept on this panel."""

from __future__ import annotations

from urllib.parse import parse_qs, quote, unquote

from fastapi import HTTPException, Request
from starlette.responses import RedirectResponse

MOST_FORM_BYTES = 4096
_COOKIE = "person"
_KEPT_S = 12 * 3600


async def form_fields(request: Request) -> dict[str, str]:
    """Return the fields of a form, without space around them; 413 when it is too large, 422 when it is none."""
    body = b""
    async for chunk in request.stream():
        body += chunk
        if len(body) > MOST_FORM_BYTES:
            raise HTTPException(413, "The form is larger than any that the pages send.")
    try:
        fields = parse_qs(body.decode("utf-8"), max_num_fields=10)
    except ValueError as error:
        raise HTTPException(422, "The form is not one that the pages send.") from error
    return {name: values[0].strip() for name, values in fields.items()}


def person_of(request: Request) -> str:
    """Return who used a form on this panel last, "" when nobody did lately."""
    return unquote(request.cookies.get(_COOKIE, ""))[:60]


def back_to(address: str, person: str) -> RedirectResponse:
    """Return the way back to a page, with the name remembered so that the next form is one touch."""
    answer = RedirectResponse(address, status_code=303)
    answer.set_cookie(_COOKIE, quote(person), max_age=_KEPT_S, httponly=True, samesite="strict")
    return answer
