"""Sun and sky of a day of which only the lowest and highest temperatures are known: clear days have wide swings.

Source: Allen, Pereira, Raes and Smith 1998, FAO Irrigation and Drainage Paper 56, chapter 3; equation numbers are its.
"""

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

SOLAR_W_M2 = 0.0820e6 / 60.0
"""[W/m2] of sun above the air, 0.0820 MJ/m2 a minute. Source: FAO-56, equation 21."""
SWING = 0.16
"""[K^-0.5] of an inland place; on a coast 0.19. Source: Hargreaves and Samani 1982, as FAO-56 equation 50 has it."""
CLEAR = 0.75
"""Part of that sun which a clear sky lets through. Source: FAO-56, equation 37, at sea level."""
STEFAN_BOLTZMANN_W_M2K4 = 5.670374419e-8
POLAR_W_M2 = 5.0
"""[W/m2] of sun above the air below which a day has none worth counting (engineering judgement)."""


def above_w_m2(day_of_year: Array, latitude: float) -> Array:
    """Return [W/m2] of sun on flat ground above the air, the day's mean. Source: FAO-56, equations 21 to 25."""
    turn = 2.0 * np.pi * day_of_year / 365.0
    nearness, tilt = 1.0 + 0.033 * np.cos(turn), 0.409 * np.sin(turn - 1.39)
    north = np.radians(latitude)
    sunset = np.arccos(np.clip(-np.tan(north) * np.tan(tilt), -1.0, 1.0))
    lit = sunset * np.sin(north) * np.sin(tilt) + np.cos(north) * np.cos(tilt) * np.sin(sunset)
    return np.asarray(SOLAR_W_M2 / np.pi * nearness * lit)


def sun_w_m2(above: Array, lowest_c: Array, highest_c: Array) -> Array:
    """Return [W/m2] of sun that comes down, the day's mean, at most a clear day's. Source: FAO-56, equation 50."""
    return np.minimum(SWING * np.sqrt(np.maximum(highest_c - lowest_c, 0.0)), CLEAR) * above


def sky_w_m2(above: Array, sun: Array, lowest_c: Array, air_c: Array) -> Array:
    """Return [W/m2] that ground as warm as the air loses to the sky. Source: FAO-56, equations 39 and 48.

    Notes
    -----
    The air's vapour is that of the dew point, taken as the day's lowest; a day without sun counts as overcast.
    """
    vapour_kpa = 0.6108 * np.exp(17.27 * lowest_c / (lowest_c + 237.3))
    clearness = np.divide(sun, CLEAR * above, out=np.zeros_like(sun), where=above > POLAR_W_M2)
    cloud = np.clip(1.35 * clearness - 0.35, 0.05, 1.0)
    return np.asarray(STEFAN_BOLTZMANN_W_M2K4 * (air_c + 273.16) ** 4 * (0.34 - 0.14 * np.sqrt(vapour_kpa)) * cloud)


def through_the_day(day_of_year: Array, latitude: float, hours: Array) -> Array:
    """Return how a day's sun is shared out over its hours (local sun time), days by hours; each day's mean is 1."""
    turn = 2.0 * np.pi * day_of_year / 365.0
    tilt, north = 0.409 * np.sin(turn - 1.39), np.radians(latitude)
    height = np.sin(north) * np.sin(tilt)[..., None] + np.cos(north) * np.cos(tilt)[..., None] * -np.cos(
        np.pi * hours / 12.0
    )
    height = np.maximum(height, 0.0)
    mean = height.mean(axis=-1, keepdims=True)
    return np.asarray(np.divide(height, mean, out=np.zeros_like(height), where=mean > 0.0))
