"""What the first page would have to wait for, done while nobody waits yet: the pictures of every motor's last starts."""

from __future__ import annotations

import logging

from fastapi.concurrency import run_in_threadpool

from gateway.errors import StartledgerError
from gateway.web.desk import Desk
from gateway.web.motor_page import tone_of
from gateway.web.snapshot import MotorNow

logger = logging.getLogger(__name__)


async def warm(desk: Desk) -> int:
    """Draw the strip of every motor into the desk's shelf, one after the other so that polling goes on between; return how many were drawn.

    A store that cannot be read is no reason not to serve: the pages will say so themselves.
    """
    drawn = 0
    for motor in desk.snapshot().motors:
        try:
            await run_in_threadpool(_draw, desk, motor)
        except StartledgerError as error:
            logger.warning("the pictures of the motors page are not drawn ahead: %s", error)
            return drawn
        drawn += 1
    return drawn


def _draw(desk: Desk, motor: MotorNow) -> None:
    desk.shelf.strip(motor.live, motor.starter.motor.flc_a, tone_of(motor))
