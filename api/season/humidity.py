"""What moisture the air holds, and the temperatures that follow from it: dew point, frost point, wet bulb."""

import math

from controller.errors import SoilwardError

STANDARD_KPA = 101.325
"""[kPa] the standard atmosphere at sea level (ISO 2533)."""

PSYCHROMETER_PER_K = 0.000665
"""[1/K] of an aspirated psychrometer. Source: Allen et al. 1998, FAO-56, eq. 15 (from memory)."""

HALVINGS = 50
"""The bracket of the wet bulb is halved so often: past the last digit of a double over any span of weather."""


class HumidityError(SoilwardError):
    """A relative humidity or a vapour pressure that no air has."""


def saturation_over_water_hpa(temperature_c: float) -> float:
    """Return the saturation vapour pressure over water [hPa], -45 to 60 Cel, also over water colder than freezing.

    Source: WMO-No. 8, annex 4.B.
    """
    return 6.112 * math.exp(17.62 * temperature_c / (243.12 + temperature_c))


def saturation_over_ice_hpa(temperature_c: float) -> float:
    """Return the saturation vapour pressure over ice [hPa], -65 to 0 Cel.

    Source: WMO-No. 8, annex 4.B (from memory; within 0.03 % of ASHRAE 2017 at -20 and -5 Cel).
    """
    return 6.112 * math.exp(22.46 * temperature_c / (272.62 + temperature_c))


def saturation_kpa(temperature_c: float) -> float:
    """Return the saturation vapour pressure over water [kPa] as evaporation is reckoned in the field.

    Source: Allen et al. 1998, FAO-56, eq. 11 (after Tetens 1930).
    """
    return 0.6108 * math.exp(17.27 * temperature_c / (temperature_c + 237.3))


def vapour_hpa(air_c: float, humidity_pct: float) -> float:
    """Return the vapour pressure [hPa] of air [Cel] of a relative humidity [%] over water, as probes give it.

    Raises
    ------
    HumidityError
        If the humidity is not above 0 and at most 100 %.
    """
    return saturation_over_water_hpa(air_c) * _share_of_full(humidity_pct)


def dew_point_of_c(pressure_hpa: float) -> float:
    """Return where vapour of a pressure [hPa] would condense as water [Cel]. Source: WMO-No. 8, annex 4.B."""
    share = math.log(_present(pressure_hpa) / 6.112)
    return 243.12 * share / (17.62 - share)


def frost_point_of_c(pressure_hpa: float) -> float:
    """Return where vapour of a pressure [hPa] would settle as ice [Cel]. Source: WMO-No. 8, annex 4.B."""
    share = math.log(_present(pressure_hpa) / 6.112)
    return 272.62 * share / (22.46 - share)


def dew_point_c(air_c: float, humidity_pct: float) -> float:
    """Return the dew point [Cel] of air [Cel] of a relative humidity [%] over water, also below freezing."""
    return dew_point_of_c(vapour_hpa(air_c, humidity_pct))


def frost_point_c(air_c: float, humidity_pct: float) -> float:
    """Return the frost point [Cel]; meant where the dew point is below 0.

    Notes
    -----
    It lies above the dew point, and above the air itself where the air holds more than ice lets it (from 95.2 % at
    -5 Cel): that is rime, not an error.
    """
    return frost_point_of_c(vapour_hpa(air_c, humidity_pct))


def wet_bulb_c(air_c: float, humidity_pct: float, pressure_kpa: float = STANDARD_KPA) -> float:
    """Return how cold wet tissue or a wet wick can become in moving air [Cel]: the psychrometer's equation, solved.

    Parameters
    ----------
    air_c, humidity_pct, pressure_kpa
        [Cel], [%] over water, [kPa].

    Notes
    -----
    Within 0.1 K of ASHRAE's from -5 to 20 Cel. The explicit formula that is often used for it (Stull 2011) is 0.6 K
    too cold at 2 Cel and 70 %, just where frost is decided.

    Source: Allen et al. 1998, FAO-56, eq. 11 and 15.
    """
    vapour_kpa = saturation_kpa(air_c) * _share_of_full(humidity_pct)
    share = math.log(vapour_kpa / 0.6108)
    # Rounding puts the dew point of saturated air a hair above the air.
    low_c, high_c = min(237.3 * share / (17.27 - share), air_c), air_c
    for _ in range(HALVINGS):
        middle_c = (low_c + high_c) / 2.0
        excess_kpa = saturation_kpa(middle_c) - PSYCHROMETER_PER_K * pressure_kpa * (air_c - middle_c) - vapour_kpa
        low_c, high_c = (middle_c, high_c) if excess_kpa < 0.0 else (low_c, middle_c)
    return high_c


def _share_of_full(humidity_pct: float) -> float:
    if not 0.0 < humidity_pct <= 100.0:
        raise HumidityError(f"relative humidity {humidity_pct:g} % is not above 0 and at most 100 %; look at the probe")
    return humidity_pct / 100.0


def _present(pressure_hpa: float) -> float:
    if not pressure_hpa > 0.0:
        raise HumidityError(f"vapour pressure {pressure_hpa:g} hPa is not above 0; no air is without vapour")
    return pressure_hpa
