"""How cold the sky is, and how much water the air holds."""

import math

from controller.units import ZERO_CELSIUS_K

STEFAN_BOLTZMANN_W_M2K4 = 5.670374419e-8
"""[W/m2K4] CODATA 2018."""


def swinbank_k(air_c: float) -> float:
    """Return the clear-sky temperature [K]. Source: Swinbank 1963, T = 0.0552 Ta^1.5."""
    return float(0.0552 * (air_c + ZERO_CELSIUS_K) ** 1.5)


def clear_sky_emissivity(dew_point_c: float) -> float:
    """Return the clear sky's emissivity, 0-1, without its small daily term. Source: Berdahl and Martin 1984."""
    hundredth = dew_point_c / 100.0
    return 0.711 + 0.56 * hundredth + 0.73 * hundredth * hundredth


def sky_c(air_c: float, dew_point_c: float, cloud: float = 0.0) -> float:
    """Return the sky's temperature [Cel] under `cloud` 0-1 of cover.

    Source: Berdahl and Martin 1984 for clear sky; Unsworth and Monteith 1975 for cloud, e = (1 - 0.84 c) e0 + 0.84 c.
    """
    covered = 0.84 * cloud
    emissivity = (1.0 - covered) * clear_sky_emissivity(dew_point_c) + covered
    return float((air_c + ZERO_CELSIUS_K) * emissivity**0.25 - ZERO_CELSIUS_K)


def saturation_pa(air_c: float) -> float:
    """Return [Pa] of saturated vapour over water, within 0.35 % at 0-50 Cel. Source: Magnus form, Sonntag 1990."""
    return 611.2 * math.exp(17.62 * air_c / (243.12 + air_c))


def dew_point_c(air_c: float, humidity_pct: float) -> float:
    """Return the dew point [Cel]; humidity under 1 % counts as 1 %. Source: Magnus form inverted."""
    x = math.log(max(humidity_pct, 1.0) / 100.0) + 17.62 * air_c / (243.12 + air_c)
    return 243.12 * x / (17.62 - x)
