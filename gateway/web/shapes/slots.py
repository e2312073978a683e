"""Slots: the starts of the counting window, used and left, one mark a start."""

from __future__ import annotations

import math
from dataclasses import dataclass

from markupsafe import Markup

from gateway.motors.records import Budget, LimitName, LimitVerdict
from gateway.web.shapes import svg

MOST_SLOTS = 6
_PREFERRED = (LimitName.SITE_STARTS_PER_HOUR, LimitName.MOTOR_DATA, LimitName.NEMA_MG10)


@dataclass(frozen=True, slots=True, kw_only=True)
class Slots:
    """Marks to draw: `unseen` of the `used` were counted but not seen; `held` are open by count but another limit holds them."""

    allowed: int
    used: int
    unseen: int = 0
    held: bool = False

    @property
    def words(self) -> str:
        """The same in words, for the text alternative."""
        extras = (f", {self.unseen} of them not seen" if self.unseen else "") + (", the rest held by another limit" if self.held else "")
        return f"{self.used} of {self.allowed} starts used{extras}"


def counting_limit(budget: Budget) -> LimitVerdict | None:
    """Return the limit whose count is shown: the site rule where there is one, else the motor data, else the table."""
    counting = {verdict.limit: verdict for verdict in budget.limits if verdict.allowed is not None and verdict.used is not None}
    named = next((counting[name] for name in _PREFERRED if name in counting), None)
    return named if named is not None else next(iter(counting.values()), None)


def slots_of(budget: Budget, unseen_last_hour: int) -> Slots | None:
    """Return the slots of the counting limit, None when no limit counts."""
    verdict = counting_limit(budget)
    if verdict is None or verdict.allowed is None or verdict.used is None:
        return None
    allowed = math.floor(verdict.allowed)
    waiting = budget.next_start_at is None or budget.next_start_at > budget.as_of
    held = waiting and verdict.used < allowed
    return Slots(allowed=allowed, used=verdict.used, unseen=min(unseen_last_hour, verdict.used), held=held)


def slot_picture(slots: Slots) -> Markup:
    """Return the marks; more than six are written "5 of 12"."""
    if max(slots.allowed, slots.used) > MOST_SLOTS:
        return Markup('<span class="count">{} of {}</span>').format(slots.used, slots.allowed)
    parts = []
    for place in range(max(slots.allowed, slots.used)):
        x = place * 15.0 + 1.0
        solid = place < slots.used - slots.unseen
        dashed = not solid and place < slots.used
        css = "used" if solid else "unsure" if dashed else "open"
        parts.append(svg.rect(x, 1, 9, 18, css))
        if not solid and not dashed and slots.held:
            parts.append(svg.path(f"M{svg.figure(x)} 19l9 -18", "heldbar"))
        if place == slots.allowed:
            parts.append(svg.path(f"M{svg.figure(x - 3)} 0v20", "past"))
    return svg.picture(MOST_SLOTS * 15.0 - 4.0, 20, slots.words, parts, "slots")
