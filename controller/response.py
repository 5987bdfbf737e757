"""Does heat warm, and does warmth come unasked? Physics of the enclosure, kept coarse and on the safe side. Pure.

Two questions are asked of the averaged soil, air and outside temperatures, and only in the dark: no figure of ours is
as sure as the sun is strong. With the heater hard at work: is there any sign of its heat? A heater at its limit no
longer warms the soil, but holds it well above the air. With the heater off: does it grow warmer all the same?

By day a probe out of the soil goes unnoticed until the evening; ten hours of full heat warm wet soil by some 6 K.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from controller.plant.construction import STILL_SURFACE_W_M2K, Construction, infiltration_w
from controller.plant.construction import HeaterKind as Kind
from controller.safety import limits
from controller.safety.trip import Trip, TripKind
from controller.state import NEVER, Response

AVERAGED_S = 600.0
USUAL_DEPTH_M = 0.1
SURE_RISE_K = 1.2
"""[K] only where the heat alone would make at least this is its absence a fault: a clear night takes 0.6 K of it."""
LEAST_EXCESS_PART, MOST_EXCESS_K = 0.2, 4.0
"""Part of the soil's excess over the air in the end, and [K] the most of it, that hard heating must show."""
STEADY_K = 0.5
"""[K] outside, or where that is unknown air, that has risen by more is a warm front: the soil's excess says nothing."""
BARE_PART, LEAST_BARE_K = 0.4, 2.5
"""Part of what a bare cable would warm the air by, and [K] at least, that must show to call it bare."""
SOONEST_BARE_S = 3300.0
"""[s] so that the contact is open within the hour of hazard H06."""
AIR_PART, SURE_EXCESS_K = 0.1, 6.0
"""Part of an air heater's excess that must show at some time, where that excess is at least so large [K]: a clear sky
alone cools the inside by 2 K, and an open door leaves little of it."""
WARM_AIR_PART, WARM_AIR_K = 0.5, 6.0
DARK_S, DARK_AIR_S = 2 * 3600.0, 3600.0
"""[s] after sunset before soil, or air, is judged: the day's warmth goes."""
LONGEST_WAVE_S = 8 * 3600.0
NOON_TO_SUNSET_S = 3 * 3600.0
"""[s] the least between the warmest surface and sunset, in winter."""
AFTER_STEP_S = 4 * 3600.0
"""[s] cold water in the soil takes up warmth from beside and below for hours."""


@dataclass(frozen=True, slots=True)
class Expected:
    """What an enclosure's heater should do.

    Parameters
    ----------
    kind
        Soil cable or air heater.
    excess_k
        [K] that full power holds in the end: a cable the soil above the air, an air heater the air above outside and
        soil.
    bare_k
        [K] by which all power given to the air would warm it.
    outside_part
        How much of the unheated air's temperature comes from outside, 0..1; the rest comes from the soil.
    window_s
        [s] of hard heating before its answer is judged; infinite where none can be expected.
    bare_s, bare_rise_k
        [s] until a bare cable is looked for, and [K] what a buried one would warm the soil by then.
    spread_s
        [s] for warmth already given to spread: z2/2k and half an hour.
    wave_s
        [s] after sunset until the day's warmth has passed the deepest probe.
    """

    kind: Kind
    excess_k: float
    bare_k: float
    outside_part: float
    window_s: float
    bare_s: float
    bare_rise_k: float
    spread_s: float
    wave_s: float


def expected_of(built: Construction, depths_m: Sequence[float]) -> Expected:
    """Calculate what a construction's heater should do to soil probes at these depths [m].

    Notes
    -----
    The daily wave reaches z after z/2 sqrt(day / (pi kappa)) (Carslaw & Jaeger 1959, section 2.6).
    """
    soil, cable = built.texture, built.heater is Kind.SOIL_CABLE
    known_m = list(depths_m) or [USUAL_DEPTH_M]
    # The probe furthest from the heater answers last.
    away_m = max(abs(each - built.cable_depth_m) if cable else each for each in known_m)
    spread_s = away_m**2 / (2.0 * soil.diffusivity_m2_s)
    wave_s = max(known_m) / 2.0 * math.sqrt(86_400.0 / (math.pi * soil.diffusivity_m2_s)) - NOON_TO_SUNSET_S
    outward_w_k = built.ua_w_k + infiltration_w(built.air_changes_h, built.volume_m3, 1.0)
    surface_w_k = STILL_SURFACE_W_M2K * built.floor_m2
    held_w_k = surface_w_k if cable else outward_w_k + surface_w_k
    excess_k = built.rated_w / held_w_k
    if cable:
        excess_k += built.rated_w / built.floor_m2 * min(known_m) / soil.conductivity_w_mk
    bare_s = min(max(1.5 * spread_s, SOONEST_BARE_S), limits.LONGEST_UNANSWERED_S)
    return Expected(
        built.heater,
        excess_k,
        built.rated_w / outward_w_k,
        outward_w_k / (outward_w_k + surface_w_k),
        _window_s(built, away_m, excess_k),
        bare_s,
        warmed_k(built, away_m, bare_s),
        spread_s + 1800.0,
        min(max(wave_s, DARK_S), LONGEST_WAVE_S),
    )


def warmed_k(built: Construction, away_m: float, after_s: float) -> float:
    """Return how far a cable alone warms soil at a distance [K].

    Source: Carslaw & Jaeger 1959, section 2.9, equation 7: half the flux to either side of a plane.
    """
    flux_w_m2, soil = built.rated_w / built.floor_m2, built.texture
    reach_m = math.sqrt(soil.diffusivity_m2_s * after_s)
    x = away_m / (2.0 * reach_m)
    return flux_w_m2 * reach_m / soil.conductivity_w_mk * (math.exp(-x * x) / math.sqrt(math.pi) - x * math.erfc(x))


def _window_s(built: Construction, away_m: float, excess_k: float) -> float:
    """Return after how much hard heating its answer is sure [s]: the bound of hazard P14, or longer for a weak cable."""
    longest_s = limits.LONGEST_UNANSWERED_S
    if built.heater is Kind.AIR_HEATER:
        return longest_s if excess_k >= SURE_EXCESS_K else math.inf
    return next((s for s in (longest_s, 2 * longest_s, 4 * longest_s) if warmed_k(built, away_m, s) >= SURE_RISE_K),
                math.inf)  # fmt: skip


def averaged(before: float | None, value: float | None, elapsed_s: float) -> float | None:
    """Return the running average [Cel]; it starts at the first value and ends with the last."""
    if value is None or before is None:
        return value
    return before + min(1.0, elapsed_s / AVERAGED_S) * (value - before)


def observed(
    memory: Response, soil_c: float | None, air_c: float | None, outside_c: float | None, dark: bool,
    elapsed_s: float, now_s: float,
) -> Response:  # fmt: skip
    """Take the temperatures of now into the averages, and note when the sun went down."""
    return replace(
        memory,
        soil_c=averaged(memory.soil_c, soil_c, elapsed_s),
        air_c=averaged(memory.air_c, air_c, elapsed_s),
        outside_c=averaged(memory.outside_c, outside_c, elapsed_s),
        dark_s=(memory.dark_s if memory.dark_s is not None else now_s) if dark else None,
    )


def short(memory: Response, duty: float, below_k: float, now_s: float) -> Response:
    """Note since when full heat has been too little (hazard H07)."""
    is_short = duty >= 0.99 and below_k > limits.SHORT_K
    if is_short == (memory.short_s is not None):
        return memory
    return replace(memory, short_s=now_s if is_short else None)


def heating(
    expected: Expected, memory: Response, duty: float, elapsed_s: float, now_s: float, at_ms: int
) -> tuple[Response, list[Trip]]:
    """Judge hard heating: a trip where heat was given for long enough and none arrived.

    Time is cut into spans of `window_s`; each is judged at its end, the first one for a bare cable as well.
    """
    if memory.since_s is None:
        return (_begun(memory, now_s, True) if duty >= limits.HARD_AT_WORK_DUTY else memory), []
    memory = replace(memory, duty=averaged(memory.duty, duty, elapsed_s) or 0.0)
    if memory.duty < limits.HARD_AT_WORK_DUTY or memory.soil_c is None:
        return replace(memory, since_s=None), []
    air_k = _air_excess_k(expected, memory)
    if air_k is not None and air_k > memory.warmest_k:
        memory = replace(memory, warmest_k=air_k)
    age_s, trip = now_s - memory.since_s, None
    if memory.onset and age_s >= expected.bare_s:
        trip = _bare(expected, memory, at_ms)
        memory = replace(memory, onset=False)
    if age_s >= expected.window_s:
        trip = trip or _no_answer(expected, memory, now_s, at_ms)
        memory = _begun(memory, now_s, False)
    return memory, [] if trip is None else [trip]


def _begun(memory: Response, now_s: float, onset: bool) -> Response:
    return replace(
        memory, since_s=now_s, onset=onset, duty=1.0 if onset else memory.duty, warmest_k=NEVER,
        soil_then_c=memory.soil_c, air_then_c=memory.air_c, outside_then_c=memory.outside_c,
    )  # fmt: skip


def _difference_k(one: float | None, other: float | None) -> float | None:
    return None if one is None or other is None else one - other


def _bare(expected: Expected, memory: Response, at_ms: int) -> Trip | None:
    """Return a trip where the first hard heating of the night has warmed the air and not the soil (hazard H06)."""
    if expected.kind is Kind.AIR_HEATER or memory.dark_s is None or memory.dark_s > (memory.since_s or 0.0):
        return None
    then_k = _difference_k(memory.air_then_c, memory.outside_then_c)
    warmed_k = _difference_k(_difference_k(memory.air_c, memory.outside_c), then_k)
    rise_k = _difference_k(memory.soil_c, memory.soil_then_c)
    if warmed_k is None or rise_k is None or warmed_k < max(BARE_PART * expected.bare_k, LEAST_BARE_K):
        return None
    least_k = limits.EXPOSED_PART * expected.bare_rise_k
    if rise_k >= least_k:
        return None
    detail = f"heat has warmed the air by {warmed_k:.1f} K and the soil by {rise_k:.1f} K: the cable may lie bare"
    return Trip(TripKind.EXPOSED, "", round(rise_k, 2), round(least_k, 2), at_ms, detail)


def _no_answer(expected: Expected, memory: Response, now_s: float, at_ms: int) -> Trip | None:
    dark_for_s = 0.0 if memory.dark_s is None else now_s - memory.dark_s
    if expected.kind is Kind.AIR_HEATER:
        return _air_not_warmed(expected, memory, at_ms) if dark_for_s >= DARK_AIR_S else None
    if dark_for_s < DARK_S:
        return None
    rise_k = _difference_k(memory.soil_c, memory.soil_then_c)
    excess_k = _difference_k(memory.soil_c, memory.air_c)
    front_k = _difference_k(memory.outside_c, memory.outside_then_c)
    front_k = _difference_k(memory.air_c, memory.air_then_c) if front_k is None else front_k
    if rise_k is None or excess_k is None or front_k is None or front_k > STEADY_K:
        return None
    if rise_k >= limits.LEAST_RISE_K or excess_k >= min(LEAST_EXCESS_PART * expected.excess_k, MOST_EXCESS_K):
        return None
    detail = (
        f"heat was given for {expected.window_s / 3600:.0f} h; the soil has moved by {rise_k:+.1f} K and is "
        f"{excess_k:.1f} K above the air"
    )
    return Trip(TripKind.NO_RESPONSE, "", round(rise_k, 2), limits.LEAST_RISE_K, at_ms, detail)


def _air_excess_k(expected: Expected, memory: Response) -> float | None:
    """[K] by which the air is above what outside and soil alone would make it."""
    if memory.air_c is None or memory.outside_c is None or memory.soil_c is None:
        return None
    part = expected.outside_part
    return memory.air_c - part * memory.outside_c - (1.0 - part) * memory.soil_c


def _air_not_warmed(expected: Expected, memory: Response, at_ms: int) -> Trip | None:
    warmest_k, least_k = memory.warmest_k, AIR_PART * expected.excess_k
    if warmest_k == NEVER or warmest_k >= least_k:
        return None
    hours = expected.window_s / 3600
    detail = f"the air heater has worked hard for {hours:.0f} h; the air was {warmest_k:.1f} K above an unheated one"
    return Trip(TripKind.NO_RESPONSE, "", round(warmest_k, 2), round(least_k, 2), at_ms, detail)


def unasked(
    expected: Expected, memory: Response, off_for_s: float, stepped: bool, now_s: float, at_ms: int
) -> tuple[Response, list[Trip]]:
    """Judge rest in the dark: a trip where it grows warmer with the heater off (hazard K02).

    Parameters
    ----------
    stepped
        A soil probe has lately moved faster than soil can: cold water, as a rule.
    """
    dark_for_s = 0.0 if memory.dark_s is None else now_s - memory.dark_s
    if expected.kind is Kind.AIR_HEATER:
        return memory, _warm_air(expected, memory, off_for_s, dark_for_s, at_ms)
    memory = _disturbed(memory, stepped, now_s)
    calm_for_s = min(dark_for_s, now_s - memory.disturbed_s)
    if off_for_s < expected.spread_s or calm_for_s < expected.wave_s or memory.soil_c is None:
        return (memory if memory.lowest_c is None else replace(memory, lowest_c=None)), []
    lowest_c = memory.soil_c if memory.lowest_c is None else min(memory.lowest_c, memory.soil_c)
    risen_k = memory.soil_c - lowest_c
    if risen_k <= limits.UNASKED_RISE_K:
        return (memory if lowest_c == memory.lowest_c else replace(memory, lowest_c=lowest_c)), []
    detail = f"the soil has risen {risen_k:.1f} K in the dark with the heater off"
    trip = Trip(TripKind.UNASKED, "", round(risen_k, 2), limits.UNASKED_RISE_K, at_ms, detail)
    return replace(memory, lowest_c=None), [trip]


def _disturbed(memory: Response, stepped: bool, now_s: float) -> Response:
    """Note what else warms soil: air about as warm, and cold water in it, which takes up warmth again."""
    if stepped:
        return replace(memory, disturbed_s=now_s + AFTER_STEP_S)
    above_k = _difference_k(memory.soil_c, memory.air_c if memory.air_c is not None else memory.outside_c)
    if above_k is not None and above_k >= 1.0:
        return memory
    return replace(memory, disturbed_s=max(memory.disturbed_s, now_s))


def _warm_air(expected: Expected, memory: Response, off_for_s: float, dark_for_s: float, at_ms: int) -> list[Trip]:
    excess_k, limit_k = _air_excess_k(expected, memory), max(WARM_AIR_PART * expected.excess_k, WARM_AIR_K)
    if off_for_s < 1800.0 or dark_for_s < DARK_AIR_S or excess_k is None or excess_k <= limit_k:
        return []
    detail = f"the air is {excess_k:.1f} K above an unheated one, in the dark with the heater off"
    return [Trip(TripKind.UNASKED, "", round(excess_k, 2), round(limit_k, 2), at_ms, detail)]
