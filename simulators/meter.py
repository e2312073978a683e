"""What a device measures: noise that depends on the moment alone, and rounding to the device's own step.

The noise of one measurement is a function of seed, channel and the number of the measurement, not of how often anyone asked: a plant polled
fast and one polled slowly show the same device.
"""

from __future__ import annotations

_MASK = 0xFFFFFFFFFFFFFFFF


def scattered(seed: int, channel: int, index: int) -> int:
    """Return 64 well mixed bits for one measurement (the splitmix64 finaliser, Steele, Lea and Flood 2014).

    >>> scattered(1, 0, 0) == scattered(1, 0, 0), scattered(1, 0, 0) == scattered(1, 0, 1)
    (True, False)
    """
    z = (seed * 0x9E3779B97F4A7C15 + channel * 0xD1B54A32D192ED03 + index * 0x8CB92BA72F3D8DD7 + 0x9E3779B97F4A7C15) & _MASK
    z = ((z ^ (z >> 30)) * 0xBF58476D1CE4E5B9) & _MASK
    z = ((z ^ (z >> 27)) * 0x94D049BB133111EB) & _MASK
    return z ^ (z >> 31)


def uniform(seed: int, channel: int, index: int) -> float:
    """Return a number from 0 up to 1."""
    return scattered(seed, channel, index) / 2.0**64


def bell(seed: int, channel: int, index: int) -> float:
    """Return a number of mean 0 and standard deviation 1: the sum of four uniform ones, never beyond 3.5."""
    bits = scattered(seed, channel, index)
    total = (bits & 0xFFFF) + (bits >> 16 & 0xFFFF) + (bits >> 32 & 0xFFFF) + (bits >> 48)
    # Four uniform numbers of 0..65535 have mean 131070 and variance 4 x (2^32 - 1) / 12.
    return (total - 131070.0) / 37837.2273


def stepped(value: float, step: float) -> float:
    """Return a value rounded to the device's step; 0 means no step.

    >>> stepped(12.3456, 0.1), stepped(12.3456, 0.0)
    (12.3, 12.3456)
    """
    return round(value / step) * step if step > 0 else value
