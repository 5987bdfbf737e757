"""What is expected outside in the coming hours: fed in from anywhere, or nothing."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Expectation:
    """What is expected at one instant.

    Parameters
    ----------
    at_ms
        [ms] UTC.
    outside_c
        [Cel] outside air.
    light_w_m2
        [W/m2] on flat ground, or None where the source says nothing about the sun.
    """

    at_ms: int
    outside_c: float
    light_w_m2: float | None = None


Outlook = Sequence[Expectation]
"""Expectations in order of time; between two of them the values run straight."""

Forecaster = Callable[[int], Outlook]
"""Gives the outlook as it is known at an instant [ms UTC]."""
