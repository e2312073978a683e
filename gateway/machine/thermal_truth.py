"""How hot the motor really gets: winding and body as two nodes. The truth that a protection's thermal model only estimates.

C1 dT1/dt = stator copper heat - G12 (T1 - T2)
C2 dT2/dt = iron heat + 0.3 rotor heat + G12 (T1 - T2) - Gf T2, with Gf a third when the shaft fan stands still
Temperatures are rises over ambient. Constants are derived from 5 A/mm2 and rises of 40 K + 40 K; common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, expm1, sqrt
from typing import NamedTuple

from gateway.machine.circuit import Circuit
from gateway.machine.nameplate import Nameplate

ROTOR_PART_TO_BODY = 0.3
"""Part of the rotor's heat that reaches the stator body; the rest leaves by the shaft, the rings and the air."""


class Rise(NamedTuple):
    """Temperature rises over ambient [K]."""

    winding_k: float
    body_k: float


COLD = Rise(0.0, 0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class TwoNode:
    """Heat capacities and conductances of one motor."""

    winding_j_per_k: float
    body_j_per_k: float
    winding_to_body_w_per_k: float
    body_to_air_w_per_k: float
    stopped_cooling_part: float = 1.0 / 3.0
    """Cooling at standstill, of the cooling with the shaft fan at speed."""

    def steady(self, winding_heat_w: float, body_heat_w: float, *, turning: bool) -> Rise:
        """Return the rises that constant heat leads to in the end.

        >>> from gateway.machine.nameplate import EXAMPLE_45_KW, fit_circuit
        >>> two = typical_two_node(EXAMPLE_45_KW, fit_circuit(EXAMPLE_45_KW))
        >>> point = fit_circuit(EXAMPLE_45_KW).at(EXAMPLE_45_KW.rated_slip)
        >>> rise = two.steady(point.stator_heat_w, point.iron_heat_w + 0.3 * point.rotor_heat_w, turning=True)
        >>> round(rise.winding_k, 1), round(rise.body_k, 1)
        (80.0, 40.0)
        """
        cooling = self.body_to_air_w_per_k * (1.0 if turning else self.stopped_cooling_part)
        body = (winding_heat_w + body_heat_w) / cooling
        return Rise(body + winding_heat_w / self.winding_to_body_w_per_k, body)

    def rates_per_s(self, *, turning: bool) -> tuple[float, float]:
        """Return the two decay rates [1/s], the fast one first; their inverses are the time constants."""
        a, d, product = self._matrix(turning)
        half = 0.5 * (a + d)
        root = sqrt(0.25 * (a - d) ** 2 + product)
        fast = half + root
        return fast, (a * d - product) / fast

    def _matrix(self, turning: bool) -> tuple[float, float, float]:
        cooling = self.body_to_air_w_per_k * (1.0 if turning else self.stopped_cooling_part)
        link = self.winding_to_body_w_per_k
        return (
            link / self.winding_j_per_k,
            (link + cooling) / self.body_j_per_k,
            link * link / (self.winding_j_per_k * self.body_j_per_k),
        )

    def after(self, rise: Rise, duration_s: float, winding_heat_w: float, body_heat_w: float, *, turning: bool) -> Rise:
        """Return the rises after a time of constant heat: exact for any duration.

        The difference to the steady state decays as exp(-A t); for a 2 x 2 matrix that is a combination of 1 and A.
        """
        end = self.steady(winding_heat_w, body_heat_w, turning=turning)
        fast, slow = self.rates_per_s(turning=turning)
        decay_fast, decay_slow = exp(-fast * duration_s), exp(-slow * duration_s)
        # exp(-A t) = p + q A with p + q r = exp(-r t) at both rates; expm1 keeps q good for short times.
        q = decay_slow * expm1(-(fast - slow) * duration_s) / (fast - slow)
        p = decay_fast - q * fast
        dw, db = rise.winding_k - end.winding_k, rise.body_k - end.body_k
        link = self.winding_to_body_w_per_k
        a, d, _ = self._matrix(turning)
        along_w = a * (dw - db)
        along_b = d * db - link / self.body_j_per_k * dw
        return Rise(end.winding_k + p * dw + q * along_w, end.body_k + p * db + q * along_b)


def typical_two_node(nameplate: Nameplate, circuit: Circuit) -> TwoNode:
    """Return typical constants: 40 K from air to body and 40 K from body to winding at rated load, winding at 5 A/mm2, body mass by power.

    >>> from gateway.machine.nameplate import EXAMPLE_45_KW, fit_circuit
    >>> two = typical_two_node(EXAMPLE_45_KW, fit_circuit(EXAMPLE_45_KW))
    >>> [round(1 / rate) for rate in two.rates_per_s(turning=True)]
    [244, 3176]
    """
    point = circuit.at(nameplate.rated_slip)
    # 0.1552 K/s adiabatic at rated current: resistivity over (heat capacity x density) of copper at 80 C, times (5 A/mm2)^2.
    return TwoNode(
        winding_j_per_k=point.stator_heat_w / 0.1552,
        body_j_per_k=144e3 * (nameplate.rated_power_w / 45e3) ** 0.9,
        winding_to_body_w_per_k=point.stator_heat_w / 40.0,
        body_to_air_w_per_k=(point.stator_heat_w + point.iron_heat_w + ROTOR_PART_TO_BODY * point.rotor_heat_w) / 40.0,
    )
