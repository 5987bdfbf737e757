"""What warmth alone shows of a heater whose current nobody senses, in words. Pure.

A heater too weak for its warmth to stand out from a night's weather is not judged by it: simulated, dead and sound ones
lie among one another. Then nothing but a current sensor tells, and people must read that.
"""

import math

from controller.enclosure_settings import Enclosure, HeaterKind
from controller.expected import Expected, expected_of
from controller.plant.from_settings import construction_of
from controller.probe import Quantity
from controller.response import WARM_AIR_K

FIT_ONE = "Fit a current sensor: with one, both show within seconds."


def unwatched(enclosure: Enclosure) -> str:
    """Say why a heater that gives nothing is never found by its warmth; "" where it is."""
    if not math.isfinite(_expected(enclosure).window_s):
        return "this heater is too weak to be watched by its warmth"
    lacking = [each.value for each in _needed(enclosure) if not enclosure.of(each)]
    return f"its warmth is not watched without a probe of {' and '.join(lacking)}" if lacking else ""


def told(enclosure: Enclosure, senses_current: bool | None) -> str:
    """Say what is not watched, or how late, where the node senses no current; "" where it does, or is silent."""
    if senses_current is not False:
        return ""
    why, hours = unwatched(enclosure), _expected(enclosure).window_s / 3600
    if why:
        dead = (
            f"{why[0].upper()}{why[1:]}: one that has died shows only as soil 2 K too cold for six hours of full heat"
        )
    else:
        dead = f"A heater that has died shows by missing warmth, at best after {hours:.0f} h hard at work in the dark"
    if _is_seen_welded(enclosure):
        welded = "a relay that welds shut shows only by what grows warm in the dark, after an hour or more"
    else:
        welded = "a relay that welds shut may show at a limit alone"
    return f"Its relay node senses no current. {dead}; {welded}. {FIT_ONE}"


def _needed(enclosure: Enclosure) -> tuple[Quantity, ...]:
    cable = enclosure.heater.kind is HeaterKind.SOIL_CABLE
    return (Quantity.AIR,) if cable else (Quantity.AIR, Quantity.OUTSIDE)


def _is_seen_welded(enclosure: Enclosure) -> bool:
    """Whether heat that nobody asked for is surely found by its warmth."""
    expected = _expected(enclosure)
    if enclosure.heater.kind is HeaterKind.AIR_HEATER and expected.excess_k <= WARM_AIR_K:
        return False
    return not unwatched(enclosure)


def _expected(enclosure: Enclosure) -> Expected:
    """Return what this enclosure's heater should do, by geometry: a proof test may have made its window shorter."""
    depths_m = [each.depth_m for each in enclosure.of(Quantity.SOIL) if each.depth_m is not None]
    return expected_of(construction_of(enclosure), depths_m)
