"""The one thing that pages change: a person says that an alert was seen. Nothing is written to any device."""

from __future__ import annotations

from fastapi import HTTPException, Request
from pydantic import ValidationError

from gateway.motors.alerts import Alert
from gateway.web.desk import Desk
from gateway.web.form import form_fields
from gateway.web.guard import is_foreign
from gateway.web.models import Acknowledgement


def refuse_foreign(request: Request) -> None:
    """Refuse a change that comes from a page of another site."""
    if is_foreign(request.method, request.headers):
        raise HTTPException(403, "The request came from a page of another site and was not carried out.")


async def form_acknowledgement(request: Request) -> Acknowledgement:
    """Return what a page's form says; 413 when it is too large, 422 when a field is missing."""
    fields = await form_fields(request)
    try:
        return Acknowledgement(alert=fields.get("alert", ""), by=fields.get("by", ""))
    except ValidationError as error:
        raise HTTPException(422, "Give your name, at most 60 characters, and press Acknowledge beside the alert.") from error


def acknowledged(desk: Desk, alert_id: str, by: str) -> Alert:
    """Acknowledge an alert; 409 when it stands no longer."""
    alert = desk.plant.acknowledge(alert_id, by)
    if alert is None:
        raise HTTPException(409, "That alert stands no longer or was acknowledged already.")
    return alert
