"""Does the air rise faster than this air heater has been measured to make it? Pure.

Beside the fixed limit of rise, and only while heat is on: what is steeper than the heater is no heater's work. The sun
coming out and a door shut again are no fire: they get room, and only what rises above the warmest that the air has
lately been counts.
"""

from collections.abc import Iterable, Mapping
from typing import Final, NamedTuple

from controller.plausibility import SLOPE_SPAN_S
from controller.probe_state import ProbeState, Watch
from controller.safety.trip import Trip, TripKind

SINKS_K_PER_MIN: Final = 0.1
"""[K/min] by which the warmest air of lately is forgotten: a door may stand open for an hour and be shut again.
Source: simulation."""


class Steep(NamedTuple):
    """What is remembered of one air probe.

    Parameters
    ----------
    compared_s
        [s] receipt of its newest value.
    warmest_c
        [Cel] the warmest it has lately been, but for the last minute.
    times, rise_k_per_min
        Values in a row that rose too fast, and how fast the last of them.
    """

    compared_s: float
    warmest_c: float
    times: int = 0
    rise_k_per_min: float = 0.0


Memory = Mapping[str, Steep]


def observe(limit: float, air: Iterable[Watch], probes: Mapping[str, ProbeState], before: Memory, hot: bool) -> Memory:
    """Take the newest values.

    Parameters
    ----------
    limit
        [K/min] that the air may rise with heat on.
    hot
        Whether heat is on, or was within the span of a rise.
    """
    found = {}
    for each in air:
        known, probe = before.get(each.name), probes[each.name]
        if probe.compared_s is not None and (known is None or known.compared_s != probe.compared_s):
            known = _taken(limit, known, probe, probe.compared_s, hot)
        if known is not None:
            found[each.name] = known if hot else known._replace(times=0)
    return found


def _taken(limit: float, known: Steep | None, probe: ProbeState, at_s: float, hot: bool) -> Steep:
    value, earlier = probe.over_value, probe.recent[0][1]
    if known is None:
        return Steep(at_s, earlier)
    sunk_k = SINKS_K_PER_MIN * (at_s - known.compared_s) / 60.0
    warmest_c = max(earlier, known.warmest_c - sunk_k)
    rise = probe.rise_k_per_min
    if hot and rise is not None and rise >= limit and value - warmest_c >= limit * SLOPE_SPAN_S / 60.0:
        return Steep(at_s, warmest_c, known.times + 1, rise)
    return Steep(at_s, warmest_c)


def trips(limit: float, memory: Memory, at_ms: int) -> list[Trip]:
    """Return what latches: one value may be a spike, so the second one does (hazard P22)."""
    return [_trip(limit, name, each.rise_k_per_min, at_ms) for name, each in memory.items() if each.times >= 2]


def _trip(limit: float, name: str, rise: float, at_ms: int) -> Trip:
    detail = (
        f"air at '{name}' rose {rise:.1f} K a minute with heat on; by what the last proof test measured of the heater "
        f"{limit:.1f} K a minute is too much"
    )
    return Trip(TripKind.AIR_RISE, name, rise, limit, at_ms, detail)
