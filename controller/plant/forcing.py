"""What weather does to one enclosure for the next minute: conductances and fluxes, straightened around the present."""

from dataclasses import dataclass
from typing import Final

from controller.plant.construction import AIR_J_M3K, REFERENCE_WIND_M_S, Construction
from controller.plant.sky import STEFAN_BOLTZMANN_W_M2K4, dew_point_c, saturation_pa, sky_c
from controller.plant.weather import WeatherNow
from controller.units import ZERO_CELSIUS_K

EMISSIVITY = 0.95
"""Of soil, leaves and a wet cover in the long wave (Campbell and Norman 1998, table 11.3)."""
COVER_LIGHT = 0.06
"""Part of sunlight that the cover itself absorbs (engineering judgement)."""
CONVECTION_UP_W_M2K = 5.0
CONVECTION_DOWN_W_M2K = 1.5
"""[W/m2K] floor to air, warm floor and cold floor (ISO 6946:2017 C.2 has 5.0 and 0.7; here stirred air)."""


@dataclass(slots=True)
class Forcing:
    """One minute's surroundings; [W/K], [W], [Cel] as named, soil figures per square metre of floor."""

    outside_c: Final[float]
    sky_c: Final[float]
    ghi_w_m2: Final[float]
    outside_humidity_pct: Final[float]
    leak_w_k: Final[float]
    cover_out_w_k: Final[float]
    cover_gain_w: Final[float]
    contents_gain_w: Final[float]
    soil_gain_w_m2: Final[float]
    soil_air_w_m2k: Final[float]
    soil_sky_w_m2k: Final[float]


def outside_film_w_m2k(wind_m_s: float, radiative_w_m2k: float) -> float:
    """Return [W/m2K] at the outer face. Source: ISO 6946:2017 C.2, 4 + 4 v, and the radiative part."""
    return 4.0 + 4.0 * wind_m_s + radiative_w_m2k


def radiative_w_m2k(a_c: float, b_c: float) -> float:
    """Return the long-wave conductance [W/m2K] between two black faces; exact at these temperatures."""
    a, b = a_c + ZERO_CELSIUS_K, b_c + ZERO_CELSIUS_K
    return STEFAN_BOLTZMANN_W_M2K4 * (a * a + b * b) * (a + b)


def cover_inside_w_m2k(construction: Construction) -> float:
    """Return [W/m2K] from air to cover: what is left of the U value once the outer face at 4 m/s is taken off."""
    opaque = 1.0 - construction.longwave_transmission
    outer = outside_film_w_m2k(REFERENCE_WIND_M_S, opaque * EMISSIVITY * radiative_w_m2k(10.0, 10.0))
    return 1.0 / (1.0 / construction.film_u_w_m2k - 1.0 / outer)


def vent_opening(construction: Construction, opening: float, air_c: float) -> float:
    """Return how far, 0-1, a wax vent stands open a minute later: full over 8 K, ten minutes' lag (judgement)."""
    if construction.vent_opens_c is None:
        return 0.0
    wanted = min(max((air_c - construction.vent_opens_c) / 8.0, 0.0), 1.0)
    return opening + (wanted - opening) * 0.1


def forcing(
    construction: Construction, weather: WeatherNow, air_c: float, skin_c: float, vent_changes_h: float
) -> Forcing:
    """Return the surroundings for the next minute.

    Latent heat is left out except for the part of the sun that evaporates water and is given back on the cover.
    """
    c, outside_c = construction, weather.outside_c
    floor_m2, cover_m2 = c.floor_m2, c.cover_m2
    overhead_c = sky_c(outside_c, dew_point_c(outside_c, weather.humidity_pct), weather.cloud)
    clear = c.longwave_transmission
    opaque = (1.0 - clear) * EMISSIVITY
    deficit_w_m2 = opaque * c.sky_view * radiative_w_m2k(outside_c, overhead_c) * (outside_c - overhead_c)
    outer = outside_film_w_m2k(weather.wind_m_s, opaque * radiative_w_m2k(outside_c, outside_c))
    light_w_m2 = weather.ghi_w_m2 * c.light_transmission
    dry = 1.0 - c.wet_fraction
    steam_w_m2 = light_w_m2 * (c.soil_light + c.contents_light) * c.wet_fraction
    convection = CONVECTION_UP_W_M2K if skin_c > air_c else CONVECTION_DOWN_W_M2K
    changes_h = c.air_changes_h * (0.5 + 0.5 * weather.wind_m_s / REFERENCE_WIND_M_S) + vent_changes_h
    return Forcing(
        outside_c=outside_c,
        sky_c=overhead_c,
        ghi_w_m2=weather.ghi_w_m2,
        outside_humidity_pct=weather.humidity_pct,
        leak_w_k=AIR_J_M3K / 3600.0 * changes_h * c.volume_m3,
        cover_out_w_k=outer * cover_m2,
        cover_gain_w=(COVER_LIGHT * weather.ghi_w_m2 + steam_w_m2) * floor_m2 - deficit_w_m2 * cover_m2,
        contents_gain_w=light_w_m2 * c.contents_light * dry * floor_m2,
        soil_gain_w_m2=light_w_m2 * c.soil_light * dry,
        soil_air_w_m2k=convection + opaque * radiative_w_m2k(skin_c, air_c),
        soil_sky_w_m2k=clear * EMISSIVITY * radiative_w_m2k(skin_c, overhead_c),
    )


def inside_humidity_pct(now: Forcing, air_c: float, cover_c: float) -> float:
    """Return [%RH] inside: a wet cover holds vapour near saturation at its own temperature (engineering judgement)."""
    outside_pa = saturation_pa(now.outside_c) * now.outside_humidity_pct / 100.0
    return min(100.0 * max(outside_pa, 0.95 * saturation_pa(cover_c)) / saturation_pa(air_c), 100.0)
