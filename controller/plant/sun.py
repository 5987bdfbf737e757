"""Where the sun is and how much of it reaches flat ground under a clear sky."""

import math
from datetime import UTC, datetime
from functools import lru_cache

_DAY_MS = 86_400_000


def solar_position(day_of_year: float, utc_hour: float, latitude: float, longitude: float) -> tuple[float, float]:
    """Return zenith and azimuth [deg, azimuth from north through east], good to 0.3 deg; no refraction.

    Parameters
    ----------
    day_of_year
        1.0 is 1 January 00:00; the whole days count, a fraction is welcome.
    utc_hour
        [h] UTC, 0-24.
    latitude, longitude
        [deg] north and east positive.

    Source: Spencer 1971 (declination and equation of time).
    """
    turn = 2.0 * math.pi * (day_of_year - 1.0) / 365.0
    c1, s1, c2, s2 = math.cos(turn), math.sin(turn), math.cos(2.0 * turn), math.sin(2.0 * turn)
    tilt = 0.006918 - 0.399912 * c1 + 0.070257 * s1 - 0.006758 * c2 + 0.000907 * s2
    tilt += -0.002697 * math.cos(3.0 * turn) + 0.00148 * math.sin(3.0 * turn)
    equation_min = 229.18 * (0.000075 + 0.001868 * c1 - 0.032077 * s1 - 0.014615 * c2 - 0.040849 * s2)
    hour_angle = math.radians(15.0 * (utc_hour - 12.0) + longitude + equation_min / 4.0)
    north = math.radians(latitude)
    sin_n, cos_n, sin_t, cos_t = math.sin(north), math.cos(north), math.sin(tilt), math.cos(tilt)
    cos_zenith = sin_n * sin_t + cos_n * cos_t * math.cos(hour_angle)
    azimuth = math.atan2(math.sin(hour_angle), math.cos(hour_angle) * sin_n - sin_t / cos_t * cos_n)
    return math.degrees(math.acos(max(-1.0, min(1.0, cos_zenith)))), (math.degrees(azimuth) + 180.0) % 360.0


def solar_position_at(utc_ms: int, latitude: float, longitude: float) -> tuple[float, float]:
    """Return zenith and azimuth [deg] at [ms] UTC; see `solar_position`."""
    day = datetime.fromtimestamp(utc_ms / 1000.0, UTC).timetuple().tm_yday
    part = (utc_ms % _DAY_MS) / _DAY_MS
    return solar_position(day + part, part * 24.0, latitude, longitude)


def clear_sky_ghi_w_m2(zenith_deg: float) -> float:
    """Return [W/m2] on flat ground under a clear sky, 0 below the horizon. Source: Haurwitz 1945."""
    cos_zenith = math.cos(math.radians(zenith_deg))
    if cos_zenith <= 1e-6:
        return 0.0
    return 1098.0 * cos_zenith * math.exp(-0.059 / cos_zenith)


def cloudy_ghi_w_m2(clear_w_m2: float, cloud: float) -> float:
    """Return [W/m2] left under `cloud` 0-1 of cover. Source: Kasten and Czeplak 1980, 1 - 0.75 c^3.4."""
    return float(clear_w_m2 * (1.0 - 0.75 * cloud**3.4))


@lru_cache(maxsize=64)
def is_dark(minute: int, latitude: float, longitude: float) -> bool:
    """Return whether the sun is below the horizon at a minute of UTC, counted from 1970."""
    return solar_position_at(minute * 60_000, latitude, longitude)[0] > 90.0
