"""Does heat warm, and does warmth come unasked? Kept coarse and on the safe side. Pure.

Two questions are asked of the averaged soil, air and outside temperatures, and only in the dark: no figure of ours is
as sure as the sun is strong. With the heater hard at work: is there any sign of its heat? A heater at its limit no
longer warms the soil, but holds it well above the air. With the heater off: does it grow warmer all the same?

By day a probe out of the soil goes unnoticed until the evening; ten hours of full heat warm wet soil by some 6 K.
The parts and bounds below are engineering judgement, tried in simulation: each fault acts, and no sound enclosure does.
"""

from typing import Final

from controller.expected import Expected
from controller.plant.construction import HeaterKind
from controller.safety import limits
from controller.safety.trip import Trip, TripKind
from controller.state import NEVER, Response

AVERAGED_S: Final = 600.0
PAST_S: Final = 6 * 3600.0
"""[s] of air that the soil at the probes still feels: about a day's afternoon."""

LEAST_EXCESS_PART: Final = 0.2
MOST_EXCESS_K: Final = 4.0
"""Part of the soil's excess over the air in the end, and [K] the most of it, that hard heating must show."""

STEADY_K: Final = 0.5
"""[K] Outside, or where that is unknown air, that has risen by more is a warm front: the soil's excess says nothing."""

CREDIT: Final = 2.0
"""How many times what soil would follow a fall of the air is credited: it had begun to fall before the span, and the
sky takes more than the air does. Tried in simulated seasons; on evenings that need it a dead heater shows 5 to 6 h
after sunset, not 3."""

LEAK_PART: Final = 0.25
LEAK_SURE_K: Final = 8.0
"""Part of what its heat should hold the air above outside by, and [K] that it should hold at least to tell: colder air
has lost it to a hole. Simulated sound enclosures held 0.3 and more of 8 K, under a clear still sky a quarter of 6 K; a
torn one holds 0.1."""

BARE_PART: Final = 0.4
LEAST_BARE_K: Final = 2.5
"""Part of what a bare cable would warm the air by, and [K] at least, that must show to call it bare."""

AIR_PART: Final = 0.1
"""Part of an air heater's excess that must show at some time."""

WARM_AIR_PART: Final = 0.5
WARM_AIR_K: Final = 6.0
"""The same, and [K] at least, that an air heater which is off must not show."""

DARK_AIR_S: Final = 3600.0
"""[s] After sunset before air is judged: the day's warmth goes."""

AFTER_STEP_S: Final = 4 * 3600.0
"""[s] Cold water in the soil takes up warmth from beside and below for hours."""


def averaged(before: float | None, value: float | None, elapsed_s: float, over_s: float = AVERAGED_S) -> float | None:
    """Return the running average [Cel] over about `over_s` [s]; it starts at the first value and ends with the last."""
    if value is None or before is None:
        return value
    share = elapsed_s / over_s
    return before + (share if share < 1.0 else 1.0) * (value - before)


def observe(
    memory: Response, soil_c: float | None, air_c: float | None, outside_c: float | None, dark: bool,
    elapsed_s: float, now_s: float,
) -> None:  # fmt: skip
    """Take the temperatures of now into the averages, and note when the sun went down."""
    memory.soil_c = averaged(memory.soil_c, soil_c, elapsed_s)
    memory.air_c = averaged(memory.air_c, air_c, elapsed_s)
    memory.outside_c = averaged(memory.outside_c, outside_c, elapsed_s)
    memory.past_c = averaged(memory.past_c, outside_c if air_c is None else air_c, elapsed_s, PAST_S)
    memory.dark_s = _since(memory.dark_s, dark, now_s)


def _since(before_s: float | None, holds: bool, now_s: float) -> float | None:
    if not holds:
        return None
    return now_s if before_s is None else before_s


def note_short(memory: Response, duty: float, below_k: float, now_s: float) -> None:
    """Note since when full heat has been too little (hazard H07)."""
    memory.short_s = _since(memory.short_s, duty >= 0.99 and below_k > limits.SHORT_K, now_s)


def heating(
    expected: Expected, memory: Response, duty: float, elapsed_s: float, now_s: float, at_ms: int
) -> list[Trip]:
    """Judge hard heating: a trip where heat was given for long enough and none arrived.

    Time is cut into spans of `window_s`; each is judged at its end, the first one for a bare cable as well.
    """
    _note_leak(expected, memory, now_s)
    since_s = memory.since_s
    if since_s is None:
        if duty >= limits.HARD_AT_WORK_DUTY:
            memory.duty = 1.0
            _begin(memory, now_s, True)
        return []
    memory.duty = averaged(memory.duty, duty, elapsed_s) or 0.0
    if memory.duty < limits.HARD_AT_WORK_DUTY or memory.soil_c is None:
        memory.since_s = None
        return []
    air_k, above_k = _air_excess_k(expected, memory), _difference_k(memory.air_c, memory.outside_c)
    if air_k is not None and above_k is not None:
        # Above outside is enough: with a door open the soil counts for little.
        memory.warmest_k = max(memory.warmest_k, air_k, above_k)
    age_s, trip = now_s - since_s, None
    if memory.onset and age_s >= expected.bare_s:
        trip = _bare(expected, memory, at_ms)
        memory.onset = False
    if age_s >= expected.window_s:
        trip = trip or _no_answer(expected, memory, now_s, at_ms)
        _begin(memory, now_s, False)
    return [] if trip is None else [trip]


def _note_leak(expected: Expected, memory: Response, now_s: float) -> None:
    """Note since when far more heat is lost than the cover explains: a torn film, an open end (hazard E01).

    Judged of air heaters alone: what a cable gives to the air is up to its soil, and dry peat lets little through.
    """
    soil_k, above_k = _difference_k(memory.soil_c, memory.air_c), _difference_k(memory.air_c, memory.outside_c)
    settled = memory.dark_s is not None and now_s - memory.dark_s >= DARK_AIR_S
    if soil_k is None or above_k is None or not settled or expected.kind is not HeaterKind.AIR_HEATER:
        memory.leaks_s = None
        return
    due_k = expected.carried_part * soil_k
    if memory.since_s is not None:
        due_k += memory.duty * expected.bare_k
    leaks = due_k >= LEAK_SURE_K and above_k < LEAK_PART * due_k
    memory.leaks_s = _since(memory.leaks_s, leaks, now_s)


def _begin(memory: Response, now_s: float, onset: bool) -> None:
    memory.since_s, memory.onset, memory.warmest_k = now_s, onset, NEVER
    memory.soil_then_c, memory.air_then_c, memory.outside_then_c = memory.soil_c, memory.air_c, memory.outside_c
    memory.past_then_c = memory.past_c


def _difference_k(one: float | None, other: float | None) -> float | None:
    return None if one is None or other is None else one - other


def _bare(expected: Expected, memory: Response, at_ms: int) -> Trip | None:
    """Return a trip where the first hard heating of the night has warmed the air and not the soil (hazard H06)."""
    if expected.kind is HeaterKind.AIR_HEATER or memory.dark_s is None or memory.dark_s > (memory.since_s or 0.0):
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
    if expected.kind is HeaterKind.AIR_HEATER:
        return _air_not_warmed(expected, memory, at_ms) if dark_for_s >= DARK_AIR_S else None
    # A span that began by day has the day's warmth leaving the soil in it: in sand that hides all that a cable gives.
    if dark_for_s < expected.window_s:
        return None
    rise_k = _difference_k(memory.soil_c, memory.soil_then_c)
    excess_k = _difference_k(memory.soil_c, memory.air_c)
    front_k = _difference_k(memory.outside_c, memory.outside_then_c)
    front_k = _difference_k(memory.air_c, memory.air_then_c) if front_k is None else front_k
    if rise_k is None or excess_k is None or front_k is None or front_k > STEADY_K:
        return None
    # What the soil would have lost to air that grew colder, or to the afternoon's warmth leaving it, it has been given:
    # in sand on a clear evening, or in wet loam after a hot day in a shut tunnel, all of it.
    past_k = _difference_k(memory.outside_c if memory.air_c is None else memory.air_c, memory.past_then_c)
    fallen_k = min(front_k, 0.0 if past_k is None else past_k, 0.0)
    if rise_k - CREDIT * expected.felt_part * fallen_k >= limits.LEAST_RISE_K:
        return None
    if excess_k >= min(LEAST_EXCESS_PART * expected.excess_k, MOST_EXCESS_K):
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
) -> list[Trip]:
    """Judge rest in the dark: a trip where it grows warmer with the heater off (hazard K02).

    Parameters
    ----------
    stepped
        A soil probe has lately moved faster than soil can: cold water, as a rule.
    """
    dark_for_s = 0.0 if memory.dark_s is None else now_s - memory.dark_s
    if expected.kind is HeaterKind.AIR_HEATER:
        return _warm_air(expected, memory, off_for_s, dark_for_s, at_ms)
    _note_disturbance(memory, stepped, now_s)
    calm_for_s = min(dark_for_s, now_s - memory.disturbed_s)
    if off_for_s < expected.spread_s or calm_for_s < expected.wave_s or memory.soil_c is None:
        memory.lowest_c = None
        return []
    memory.lowest_c = memory.soil_c if memory.lowest_c is None else min(memory.lowest_c, memory.soil_c)
    risen_k = memory.soil_c - memory.lowest_c
    if risen_k <= limits.UNASKED_RISE_K:
        return []
    detail = f"the soil has risen {risen_k:.1f} K in the dark with the heater off"
    trip = Trip(TripKind.UNASKED, "", round(risen_k, 2), limits.UNASKED_RISE_K, at_ms, detail)
    memory.lowest_c = None
    return [trip]


def _note_disturbance(memory: Response, stepped: bool, now_s: float) -> None:
    """Note what else warms soil: air about as warm, and cold water in it, which takes up warmth again."""
    if stepped:
        memory.disturbed_s = now_s + AFTER_STEP_S
        return
    above_k = _difference_k(memory.soil_c, memory.air_c if memory.air_c is not None else memory.outside_c)
    if above_k is None or above_k < 1.0:
        memory.disturbed_s = max(memory.disturbed_s, now_s)


def _warm_air(expected: Expected, memory: Response, off_for_s: float, dark_for_s: float, at_ms: int) -> list[Trip]:
    excess_k, limit_k = _air_excess_k(expected, memory), max(WARM_AIR_PART * expected.excess_k, WARM_AIR_K)
    if off_for_s < 1800.0 or dark_for_s < DARK_AIR_S or excess_k is None or excess_k <= limit_k:
        return []
    detail = f"the air is {excess_k:.1f} K above an unheated one, in the dark with the heater off"
    return [Trip(TripKind.UNASKED, "", round(excess_k, 2), round(limit_k, 2), at_ms, detail)]
