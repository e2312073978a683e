"""Two control charts for slow changes: EWMA and CUSUM, after the NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4 and 6.3.2.3.

    EWMA    z_t = weight y_t + (1 - weight) z_(t-1), z_0 = target
            limits target +- factor s sqrt(weight / (2 - weight)), for early ones times sqrt(1 - (1 - weight)^(2 t))
    CUSUM   high = max(0, high + y - target - slack), low = max(0, low + target - slack - y); beyond `decision` the mean has shifted

Valid for values that scatter round one mean independently of each other.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import fmean

MOVING_RANGE_D2 = 1.128
"""Mean of the range of two values of a normal distribution, in standard deviations (e-Handbook 6.3.2.2, individuals chart)."""


def ewma(before: float, value: float, weight: float) -> float:
    """Return the next exponentially weighted mean.

    >>> round(ewma(50.0, 52.0, 0.3), 4)
    50.6
    """
    return weight * value + (1.0 - weight) * before


def ewma_half_width(deviation: float, weight: float, factor: float, count: int | None = None) -> float:
    """Return how far the weighted mean may lie from its target: after `count` values, None for after many.

    >>> round(50.0 + ewma_half_width(2.0539, 0.3, 3.0), 4), round(50.0 + ewma_half_width(2.0539, 0.3, 3.0, 1), 4)
    (52.5884, 51.8485)
    """
    grown = 1.0 if count is None else 1.0 - (1.0 - weight) ** (2 * count)
    return factor * deviation * math.sqrt(weight / (2.0 - weight) * grown)


@dataclass(frozen=True, slots=True)
class Cusum:
    """Sums of what lay above and below a target."""

    high: float = 0.0
    low: float = 0.0

    def after(self, value: float, target: float, slack: float) -> Cusum:
        """Return the sums after one more value.

        >>> Cusum(0.0, 0.0).after(328.325, 325.0, 0.3175)
        Cusum(high=3.0075, low=0.0)
        """
        return Cusum(max(0.0, self.high + value - target - slack), max(0.0, self.low + target - slack - value))

    def beyond(self, decision: float) -> bool:
        """Return True when either sum says that the mean has shifted."""
        return self.high > decision or self.low > decision


def moving_range_deviation(values: Sequence[float]) -> float:
    """Return the standard deviation of values by their mean moving range, which a slow trend among them hardly widens.

    >>> round(moving_range_deviation([10.0, 10.2, 10.4, 10.6]), 4)
    0.1773
    """
    ranges = [abs(later - earlier) for earlier, later in zip(values, values[1:], strict=False)]
    return fmean(ranges) / MOVING_RANGE_D2 if ranges else 0.0
