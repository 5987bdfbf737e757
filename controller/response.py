"""Does heat warm, and does warmth come unasked? Physics of the enclosure, kept coarse and on the safe side. Pure.

Two questions are asked of the averaged soil, air and outside temperatures. With the heater hard at work: has the soil
risen, and if not, is that because the heater is at its limit, or because no heat arrives? With the heater off in the
dark: does the soil rise all the same?
"""

from dataclasses import dataclass, replace

from controller.plant.construction import Construction, infiltration_w
from controller.plant.construction import HeaterKind as Kind
from controller.safety import limits
from controller.safety.trip import Trip, TripKind
from controller.state import Response

AVERAGED_S = 600.0
HEATED_DEPTH_M = 0.3
"""[m] soil that takes up a cable's heat in the first hours. Source: engineering judgement."""
SURFACE_W_M2K = 8.0
"""[W/m2K] from soil to still air, radiation included. Source: ISO 6946:2017, table 7 (between up and down), rounded."""
BELIEVED_PART = 0.5
"""Part of the calculated excess over outside that we count on: sky and wind take the rest."""
SURE_RISE_K = 0.6
"""[K] only where at least this was to be expected is its absence a fault."""
CLOSE_TO_AIR_K = 2.0
"""[K] soil heated hard for an hour is further above its air than this; a probe in the air is not."""
AIR_PART = 0.2
"""Part of an air heater's calculated excess that must show after an hour."""
DARK_SOIL_S, DARK_AIR_S = 2 * 3600.0, 3600.0
"""[s] after sunset before rising soil or warm air is strange: the day's warmth arrives late."""


@dataclass(frozen=True, slots=True)
class Expected:
    """What an enclosure's heater should do.

    Parameters
    ----------
    kind
        Soil cable or air heater.
    slope_k_h
        [K/h] rise of the soil at full power and no loss.
    excess_k
        [K] above outside that full power holds in the end: the soil of a cable, the air of an air heater.
    window_s
        [s] of hard heating before its answer is judged: twice z2/2k between heater and probe, 60 to 180 min.
    spread_s
        [s] for warmth already given to spread: z2/2k and half an hour.
    """

    kind: Kind
    slope_k_h: float
    excess_k: float
    window_s: float
    spread_s: float


def expected_of(built: Construction, probe_depth_m: float) -> Expected:
    """Calculate what a construction's heater should do.

    Source: one-dimensional diffusion, time z2 / (2 kappa) (Carslaw & Jaeger 1959, section 2.5); loss as U A dT.
    """
    outward_w_k = built.ua_w_k + infiltration_w(built.air_changes_h, built.volume_m3, 1.0)
    z_m = max(abs(built.cable_depth_m - probe_depth_m), 0.02) if built.heater is Kind.SOIL_CABLE else probe_depth_m
    spread_s = z_m**2 / (2.0 * built.texture.diffusivity_m2_s)
    heated_j_k = built.texture.heat_capacity_j_m3k * HEATED_DEPTH_M * built.floor_m2
    if built.heater is Kind.SOIL_CABLE:
        surface_w_k = SURFACE_W_M2K * built.floor_m2
        edge_w_k = built.edge_w_m3k * built.floor_m2 * HEATED_DEPTH_M
        outward_w_k = edge_w_k + 1.0 / (1.0 / outward_w_k + 1.0 / surface_w_k)
    window_s = min(max(2.0 * spread_s, 3600.0), 10_800.0)
    slope_k_h = built.rated_w * 3600.0 / heated_j_k
    return Expected(built.heater, slope_k_h, built.rated_w / outward_w_k, window_s, spread_s + 1800.0)


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
    """Judge hard heating: a trip where heat was given for long enough and none arrived."""
    if duty < limits.HARD_AT_WORK_DUTY or memory.soil_c is None:
        return (memory if memory.since_s is None else replace(memory, since_s=None, expected_k=0.0)), []
    if memory.since_s is None or memory.soil_then_c is None:
        return _begun(memory, now_s), []
    age_s = now_s - memory.since_s
    memory = replace(memory, expected_k=memory.expected_k + _expected_k(expected, memory, duty) * elapsed_s / 3600.0)
    if age_s < expected.window_s:
        return memory, []
    if _answered(expected, memory):
        return _begun(memory, now_s), []
    trip = _no_answer(expected, memory, at_ms)
    if trip is not None:
        return _begun(memory, now_s), [trip]
    return (_begun(memory, now_s) if age_s >= limits.LONGEST_UNANSWERED_S else memory), []


def _begun(memory: Response, now_s: float) -> Response:
    return replace(memory, since_s=now_s, soil_then_c=memory.soil_c, air_then_c=memory.air_c, expected_k=0.0)


def _expected_k(expected: Expected, memory: Response, duty: float) -> float:
    """Return the least rise to expect [K/h]: nothing near the heater's limit, and nothing where outside is unknown."""
    if memory.outside_c is None or memory.soil_c is None:
        return 0.0
    left = 1.0 - (memory.soil_c - memory.outside_c) / (BELIEVED_PART * expected.excess_k)
    return expected.slope_k_h * duty * min(1.0, max(0.0, left))


def _answered(expected: Expected, memory: Response) -> bool:
    if expected.kind is Kind.AIR_HEATER:
        if memory.air_c is None or memory.outside_c is None:
            return True
        return memory.air_c - memory.outside_c >= AIR_PART * expected.excess_k
    return _rise_k(memory) >= max(limits.LEAST_RISE_K, limits.EXPOSED_PART * memory.expected_k)


def _rise_k(memory: Response) -> float:
    if memory.soil_c is None or memory.soil_then_c is None:
        return 0.0
    return memory.soil_c - memory.soil_then_c


def _no_answer(expected: Expected, memory: Response, at_ms: int) -> Trip | None:
    if expected.kind is Kind.AIR_HEATER:
        detail = "the air heater has worked hard for an hour and the air is hardly above outside"
        return Trip(TripKind.NO_RESPONSE, "", memory.air_c, None, at_ms, detail)
    sure, rise_k = memory.expected_k >= SURE_RISE_K, _rise_k(memory)
    if sure and memory.air_c is not None and memory.air_then_c is not None and memory.air_c - memory.air_then_c >= 1.0:
        detail = f"the air has warmed and the soil only {rise_k:.1f} K: the cable may lie bare"
        return Trip(TripKind.EXPOSED, "", rise_k, memory.expected_k, at_ms, detail)
    close = memory.air_c is not None and memory.soil_c is not None and memory.soil_c - memory.air_c < CLOSE_TO_AIR_K
    if not (sure or close) or rise_k >= limits.LEAST_RISE_K:
        return None
    detail = f"heat was given for {expected.window_s / 60:.0f} min or more and the soil rose {rise_k:.1f} K"
    return Trip(TripKind.NO_RESPONSE, "", rise_k, limits.LEAST_RISE_K, at_ms, detail)


def unasked(
    expected: Expected, memory: Response, off_for_s: float, now_s: float, at_ms: int
) -> tuple[Response, list[Trip]]:
    """Judge rest in the dark: a trip where it grows warmer with the heater off (hazard K02)."""
    dark_for_s = 0.0 if memory.dark_s is None else now_s - memory.dark_s
    if expected.kind is Kind.AIR_HEATER:
        return memory, _warm_air(expected, memory, off_for_s, dark_for_s, at_ms)
    around_c = memory.air_c if memory.air_c is not None else memory.outside_c
    if off_for_s < expected.spread_s or dark_for_s < DARK_SOIL_S or memory.soil_c is None or around_c is None:
        return _not_resting(memory), []
    if around_c > memory.soil_c - 1.0:
        return _not_resting(memory), []
    lowest_c = memory.soil_c if memory.lowest_c is None else min(memory.lowest_c, memory.soil_c)
    risen_k = memory.soil_c - lowest_c
    if risen_k <= limits.UNASKED_RISE_K:
        return replace(memory, lowest_c=lowest_c), []
    detail = f"the soil has risen {risen_k:.1f} K in the dark with the heater off"
    return replace(memory, lowest_c=None), [Trip(TripKind.UNASKED, "", risen_k, limits.UNASKED_RISE_K, at_ms, detail)]


def _not_resting(memory: Response) -> Response:
    return memory if memory.lowest_c is None else replace(memory, lowest_c=None)


def _warm_air(expected: Expected, memory: Response, off_for_s: float, dark_for_s: float, at_ms: int) -> list[Trip]:
    if off_for_s < 1800.0 or dark_for_s < DARK_AIR_S or memory.air_c is None or memory.outside_c is None:
        return []
    excess_k, limit_k = memory.air_c - memory.outside_c, max(BELIEVED_PART * expected.excess_k, 6.0)
    if excess_k <= limit_k or (memory.soil_c is not None and memory.air_c <= memory.soil_c):
        return []
    detail = f"the air is {excess_k:.1f} K above outside in the dark with the heater off"
    return [Trip(TripKind.UNASKED, "", excess_k, limit_k, at_ms, detail)]
