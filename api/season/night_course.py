"""How air cools from two hours after sunset to sunrise: with the square root of time."""

import math

FIRST_H = 2.0
"""[h] after sunset, from which on the trend holds."""


def course_c(t0_c: float, minimum_c: float, night_h: float, after_sunset_h: float) -> float:
    """Return the temperature [Cel] at some hours after sunset.

    Parameters
    ----------
    t0_c
        [Cel] two hours after sunset.
    minimum_c
        [Cel] expected at sunrise.
    night_h
        [h] from sunset to sunrise, more than 2.
    after_sunset_h
        [h] from 2 to `night_h`; earlier counts as 2, later as `night_h`.

    Source: Snyder and de Melo-Abreu 2005, FAO Environment and Natural Resources Series 10, vol. 1, ch. 5.
    """
    part = (min(max(after_sunset_h, FIRST_H), night_h) - FIRST_H) / (night_h - FIRST_H)
    return t0_c + (minimum_c - t0_c) * math.sqrt(part)


def hours_until(threshold_c: float, t0_c: float, minimum_c: float, night_h: float) -> float | None:
    """Return hours from two hours after sunset until the threshold [Cel] is reached; None if not this night.

    Source: as `course_c`, solved for time.
    """
    if threshold_c >= t0_c:
        return 0.0
    if threshold_c < minimum_c:
        return None
    return float((night_h - FIRST_H) * ((threshold_c - t0_c) / (minimum_c - t0_c)) ** 2)
