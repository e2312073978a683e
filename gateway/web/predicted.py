"""Predicted curves, worked out once for each motor as its site file has it. Threads of the pool share them."""

from __future__ import annotations

import threading

from gateway.motors.facts import LoadData, MotorData, Starter, StarterData, Thresholds
from gateway.services.predicted_curve import PredictedCurves, predicted_curves

_Facts = tuple[MotorData, LoadData | None, StarterData, Thresholds]


class CurveShelf:
    """Keeps the curves of every motor; a motor whose facts have changed is worked out anew."""

    def __init__(self) -> None:
        self._kept: dict[str, tuple[_Facts, PredictedCurves]] = {}
        self._turn = threading.Lock()

    def curves(self, starter: Starter) -> PredictedCurves:
        """Return a motor's curves; in the pool only, one motor at a time."""
        facts = (starter.motor, starter.load, starter.device, starter.thresholds)
        with self._turn:
            known = self._kept.get(starter.name)
            if known is None or known[0] != facts:
                known = self._kept[starter.name] = (facts, predicted_curves(starter))
            return known[1]
