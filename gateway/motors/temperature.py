"""Temperatures beside the thermal model: an ambient above the rated one, and a winding temperature that the map has.

The model knows the rise above the rated ambient, of which a long run at full load makes `rated_used` of the capacity. A kelvin is
therefore worth rated_used / RATED_RISE_K.

    ambient       each kelvin above RATED_AMBIENT_C counts as used, since the permitted rise shrinks by as much; a cooler ambient gives
    nothing
    winding       rated_used (T - RATED_AMBIENT_C) / RATED_RISE_K is the least that is used: a motor with blocked cooling is hotter than its
                  current says. It never makes a known heat smaller: a sensor lags, and sits in one place.
                  Only where the model does not know the past (after the first reading, after a gap) and the motor has stood for SETTLED_S
                  does it replace the guess, with HOT_SPOT_K on top.

Conservative on purpose. Sources: rated ambient 40 degC and rise of class B by resistance 80 K, IEC 60034-1 (from memory - confirm; class F
motors are mostly used so, one used up to its 105 K is judged stricter than need be); hot-spot allowance 10 K, common practice, no source.
"""

from __future__ import annotations

RATED_AMBIENT_C = 40.0
RATED_RISE_K = 80.0
HOT_SPOT_K = 10.0
SETTLED_S = 300.0
"""A winding that stood for so long has evened out with its sensor; own choice."""


def ambient_used(ambient_c: float, rated_used: float) -> float:
    """Return the thermal capacity that an ambient above the rated one uses, of 1.

    >>> ambient_used(50.0, 0.8), ambient_used(14.0, 0.8)
    (0.1, 0.0)
    """
    return rated_used * max(0.0, ambient_c - RATED_AMBIENT_C) / RATED_RISE_K


def winding_used(winding_c: float, rated_used: float) -> float:
    """Return the thermal capacity that a winding of that temperature has used at least, of 1.

    >>> winding_used(120.0, 0.8), winding_used(60.0, 0.8), winding_used(20.0, 0.8)
    (0.8, 0.2, 0.0)
    """
    return rated_used * max(0.0, winding_c - RATED_AMBIENT_C) / RATED_RISE_K
