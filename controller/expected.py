"""What an enclosure's heater should do to its probes, and how soon: coarse physics of its construction. Pure."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import fmean
from typing import Final

from controller.plant.construction import STILL_SURFACE_W_M2K, Construction, HeaterKind, Texture, infiltration_w
from controller.safety import limits

USUAL_DEPTH_M: Final = 0.1

SURE_RISE_K: Final = 1.2
"""[K] Only where the heat alone would make at least this is its absence a fault: a clear night takes 0.6 K of it.
Source: simulation."""

SURE_EXCESS_K: Final = 6.0
"""[K] The same of air over outside: a clear sky alone takes 2 K, an open door most of it. Source: simulation."""

SOONEST_BARE_S: Final = 3300.0
"""[s] So that the contact is open within the hour of hazard H06."""

SOONEST_WAVE_S: Final = 2 * 3600.0
LONGEST_WAVE_S: Final = 8 * 3600.0
NOON_TO_SUNSET_S: Final = 3 * 3600.0
"""[s] The least between the warmest surface and sunset, in winter."""


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
    felt_part
        Part of a change of the air that soil at the probes follows within `window_s`, 0..1.
    carried_part
        [K] that the air stands above outside per kelvin that soil at the probes is above the air.
    """

    kind: HeaterKind
    excess_k: float
    bare_k: float
    outside_part: float
    window_s: float
    bare_s: float
    bare_rise_k: float
    spread_s: float
    wave_s: float
    felt_part: float
    carried_part: float


def expected_of(built: Construction, depths_m: Sequence[float]) -> Expected:
    """Calculate what a construction's heater should do to soil probes at these depths [m].

    Notes
    -----
    The daily wave reaches z after z/2 sqrt(day / (pi kappa)) (Carslaw & Jaeger 1959, section 2.6).
    """
    soil, cable = built.texture, built.heater is HeaterKind.SOIL_CABLE
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
    window_s = _window_s(built, away_m, excess_k)
    bare_s = min(max(1.5 * spread_s, SOONEST_BARE_S), limits.LONGEST_UNANSWERED_S)
    return Expected(
        built.heater,
        excess_k,
        built.rated_w / outward_w_k,
        outward_w_k / (outward_w_k + surface_w_k),
        window_s,
        bare_s,
        warmed_k(built, away_m, bare_s),
        spread_s + 1800.0,
        min(max(wave_s, SOONEST_WAVE_S), LONGEST_WAVE_S),
        fmean(felt_part(soil, each, min(window_s, limits.LONGEST_UNANSWERED_S)) for each in known_m),
        built.floor_m2 / (1.0 / STILL_SURFACE_W_M2K + min(known_m) / soil.conductivity_w_mk) / outward_w_k,
    )


def felt_part(soil: Texture, depth_m: float, after_s: float) -> float:
    """Return the part of a lasting step of the air that soil at a depth [m] has followed after a time [s], 0..1.

    Source: Carslaw & Jaeger 1959, section 2.7, equation 1: a half-space whose surface exchanges heat.
    """
    reach_m = math.sqrt(soil.diffusivity_m2_s * after_s)
    x, lag = depth_m / (2.0 * reach_m), STILL_SURFACE_W_M2K / soil.conductivity_w_mk
    late = math.erfc(x + lag * reach_m)
    # The product is at most 1, but where soil hardly conducts its first factor alone would overflow.
    return math.erfc(x) - (math.exp(lag * depth_m + (lag * reach_m) ** 2 + math.log(late)) if late > 0.0 else 0.0)


def warmed_k(built: Construction, away_m: float, after_s: float) -> float:
    """Return how far a cable alone warms soil at a distance [K].

    Source: Carslaw & Jaeger 1959, section 2.9, equation 7: half the flux to either side of a plane.
    """
    flux_w_m2, soil = built.rated_w / built.floor_m2, built.texture
    reach_m = math.sqrt(soil.diffusivity_m2_s * after_s)
    x = away_m / (2.0 * reach_m)
    return flux_w_m2 * reach_m / soil.conductivity_w_mk * (math.exp(-x * x) / math.sqrt(math.pi) - x * math.erfc(x))


def _window_s(built: Construction, away_m: float, excess_k: float) -> float:
    """Return after how much hard heating its answer is sure [s]: as hazard P14 bounds it, later for a weak cable."""
    longest_s = limits.LONGEST_UNANSWERED_S
    if built.heater is HeaterKind.AIR_HEATER:
        return longest_s if excess_k >= SURE_EXCESS_K else math.inf
    return next((s for s in (longest_s, 2 * longest_s, 4 * longest_s) if warmed_k(built, away_m, s) >= SURE_RISE_K),
                math.inf)  # fmt: skip
