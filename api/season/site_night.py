"""Tonight at this site: what its own outside probe tells two hours after sunset, or before that a forecast fed in."""

import sqlite3
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from pathlib import Path

import numpy as np

from api.season.alarm import CALM_M_S, CLEAR, Alarms, own_alarms
from api.season.daily import COLDEST_C, WARMEST_C
from api.season.humidity import dew_point_c, wet_bulb_c
from api.season.night import Fit, Night, choose
from api.season.night_course import hours_until
from api.season.nights import EVENING_MS, MORNING_MS, Dark, dark_of, nearest, nights_of
from api.season.sky import NightSky, night_sky, sky_from
from api.season.tonight import Forecast, fed, predict, so_far
from api.state import State, opened
from controller.control.outlook import Expectation
from controller.enclosure_settings import ProbeSettings
from controller.probe import Quantity
from controller.settings import Settings
from controller.store import forecast, reading_back

DAY_MS, HOUR_MS = 86_400_000, 3_600_000
GATHERED_EVERY_MS = 6 * HOUR_MS
MOST_HUMID_PCT = 105.0
"""[%] A probe in fog may say a little more than all (engineering judgement)."""
REMEMBERED_DAYS = 400
"""Nights learnt from lie at most so far back [d]: so long are raw readings kept."""


@dataclass(frozen=True, slots=True)
class Outdoors:
    """The site's outside probe, and its humidity probe outdoors if there is one: (enclosure, probe) each."""

    air: tuple[str, str]
    moist: tuple[str, str] | None


@dataclass(frozen=True, slots=True)
class Foretold:
    """What is expected of tonight, by whom, and the course that goes with it.

    Parameters
    ----------
    by
        "probe": the site's own, two hours after sunset; "forecast": fed in.
    t0_c, dew_c
        [Cel] air and dew point two hours after sunset, None before that or where not measured.
    """

    by: str
    forecast: Forecast
    t0_c: float | None
    dew_c: float | None
    course: tuple[tuple[int, float], ...]

    def falls_to_ms(self, threshold_c: float, dark: Dark) -> int | None:
        """Return when [ms UTC] a temperature [Cel] is expected to be reached, or None if not tonight."""
        if self.t0_c is None:
            return next((at_ms for at_ms, value in self.course if value <= threshold_c), None)
        night_h = (dark.sunrise_ms - dark.sunset_ms) / HOUR_MS
        hours = hours_until(threshold_c, self.t0_c, self.forecast.minimum_c, night_h)
        return None if hours is None else dark.sunset_ms + EVENING_MS + round(hours * HOUR_MS)


@dataclass(frozen=True, slots=True)
class Tonight:
    """The night that is on or comes next.

    Parameters
    ----------
    told
        What is expected, or None; `why_none` then says why, and from when [ms UTC] the probe can tell.
    fit
        What the site's own nights have taught.
    lowest_c, heard_ms
        [Cel] the lowest so far this night, or None before sunset; and [ms UTC] until when that is known.
    sky
        What the forecast tells of its wind and cloud.
    """

    dark: Dark
    told: Foretold | None
    why_none: str
    fit: Fit
    lowest_c: float | None
    sky: NightSky
    heard_ms: int | None = None

    @property
    def clear_calm_dry(self) -> bool:
        """Whether the forecast says clear and calm, and no dew will warm the leaves before the lowest is reached."""
        wind_m_s, cloud = self.sky.wind_m_s, self.sky.cloud
        if self.told is None or wind_m_s is None or cloud is None or wind_m_s >= CALM_M_S or cloud >= CLEAR:
            return False
        return self.told.dew_c is None or self.told.dew_c < self.told.forecast.minimum_c


def alarms_here(settings: Settings, night: Tonight | None) -> Alarms:
    """Return when to act tonight, by settings and by the sky."""
    return Alarms(own_alarms(settings.season.frost), night is not None and night.clear_calm_dry)


def outdoors(settings: Settings) -> Outdoors | None:
    """Return the first outside probe of the site; a humidity probe without a height hangs outdoors as well."""
    air = _first(settings, Quantity.OUTSIDE, lambda probe: True)
    moist = _first(settings, Quantity.HUMIDITY, lambda probe: probe.height_m is None)
    return None if air is None else Outdoors(air, moist)


def tonight(state: State) -> Tonight | None:
    """Return what is known of the night; None without an outside probe, or where the sun does not rise and set."""
    place, site, now_ms = outdoors(state.settings), state.settings.site, state.clock.now().utc_ms
    dark = coming_night(now_ms, site.latitude, site.longitude)
    if place is None or dark is None:
        return None
    fit_dry = choose(nights_here(state, place), dew_known=False)
    with state.reading("readings.db") as record:
        said = _said(record, place.air, dark.sunset_ms - HOUR_MS, now_ms)
        dew_c = None if place.moist is None else _dew_c(record, place.moist, said, dark)
    with state.reading("season.db") as season:
        sky = night_sky(sky_from(season, dark.sunset_ms), dark)
    since = [value for at_ms, value in said if at_ms >= dark.sunset_ms]
    lowest_c, heard_ms = min(since, default=None), said[-1][0] if said else None
    if now_ms >= dark.sunset_ms + EVENING_MS:
        t0_c = _near(said, dark.sunset_ms + EVENING_MS)
        if t0_c is not None:
            fit = choose(nights_here(state, place)) if dew_c is not None else fit_dry
            told = Foretold("probe", so_far(predict(fit, t0_c, dew_c), lowest_c), t0_c, dew_c, ())
            return Tonight(dark, told, "", fit, lowest_c, sky, heard_ms)
    course = _fed_course(state, dark)
    if course:
        coldest_c = min(value for _, value in course)
        lowest = so_far(fed(coldest_c, _fed_errors_k(state, nights_here(state, place))), lowest_c)
        return Tonight(dark, Foretold("forecast", lowest, None, None, course), "", fit_dry, lowest_c, sky, heard_ms)
    late = now_ms >= dark.sunset_ms + EVENING_MS
    why = "the outside probe was silent two hours after sunset" if late else "it is too early for the probe to tell"
    return Tonight(dark, None, why, fit_dry, lowest_c, sky, heard_ms)


def coming_night(now_ms: int, latitude: float, longitude: float) -> Dark | None:
    """Return the night that is on, or the next one within two days; None where the sun does not rise and set."""
    today = datetime.fromtimestamp((now_ms + longitude / 15.0 * HOUR_MS) / 1000, UTC).date()
    for back in (1, 0, -1):
        dark = dark_of(today - timedelta(days=back), latitude, longitude)
        if dark is not None and now_ms < dark.sunrise_ms + MORNING_MS:
            return dark
    return None


def outside_now_c(state: State) -> float | None:
    """Return the last ten minutes' mean of the outside probe within the hour [Cel], or None."""
    place, now_ms = outdoors(state.settings), state.clock.now().utc_ms
    if place is None:
        return None
    with state.reading("readings.db") as record:
        said = _said(record, place.air, now_ms - HOUR_MS, now_ms)
    return said[-1][1] if said else None


def wet_bulb_now_c(state: State) -> float | None:
    """Return how cold wet leaves can become in the air that is outside now [Cel], or None without both its probes.

    Notes
    -----
    Pressure is that of the site's height. Source: Allen et al. 1998, FAO-56, equation 7.
    """
    place, now_ms, air_c = outdoors(state.settings), state.clock.now().utc_ms, outside_now_c(state)
    if place is None or place.moist is None or air_c is None:
        return None
    with state.reading("readings.db") as record:
        said = _said(record, place.moist, now_ms - HOUR_MS, now_ms)
    if not said or not 0.0 < said[-1][1] <= MOST_HUMID_PCT:
        return None
    pressure_kpa = 101.3 * ((293.0 - 0.0065 * state.settings.site.altitude_m) / 293.0) ** 5.26
    return wet_bulb_c(air_c, min(said[-1][1], 100.0), pressure_kpa)


def nights_here(state: State, place: Outdoors) -> list[Night]:
    """Return the site's own nights of the last 400 days; gathered every six hours, so last night is there by noon."""
    site, now_ms = state.settings.site, state.clock.now().utc_ms
    return _nights(state.folder, place, site.latitude, site.longitude, now_ms // GATHERED_EVERY_MS)


@lru_cache(maxsize=4)
def _nights(folder: Path, place: Outdoors, latitude: float, longitude: float, turn: int) -> list[Night]:
    end_ms = turn * GATHERED_EVERY_MS
    with opened(folder / "readings.db") as record:
        said = _said(record, place.air, end_ms - REMEMBERED_DAYS * DAY_MS, end_ms)
        moist = dict(_said(record, place.moist, end_ms - REMEMBERED_DAYS * DAY_MS, end_ms)) if place.moist else {}
    # The unit is known here: beyond what air ever was, the probe was wrong, and so is nothing else.
    said = [(at_ms, value) for at_ms, value in said if COLDEST_C <= value <= WARMEST_C]
    times_ms = np.array([at_ms for at_ms, _ in said], dtype=np.int64)
    outside_c = np.array([value for _, value in said])
    humidity = np.array([moist.get(at_ms, np.nan) for at_ms, _ in said]) if moist else None
    return nights_of(times_ms, outside_c, humidity, latitude, longitude).nights


def _fed_errors_k(state: State, nights: Sequence[Night]) -> list[float]:
    """Return what each night was less what had been fed in for it [K], oldest first."""
    with state.reading("season.db") as season:
        said = forecast.nights_fed(season)
    return [each.minimum_c - said[on] for each in nights if (on := each.on.isoformat()) in said]


def _first(settings: Settings, quantity: Quantity, fits: Callable[[ProbeSettings], bool]) -> tuple[str, str] | None:
    found = ((each.name, probe.name) for each in settings.enclosure for probe in each.of(quantity) if fits(probe))
    return next(found, None)


def _said(record: sqlite3.Connection, probe: tuple[str, str], start_ms: int, end_ms: int) -> list[tuple[int, float]]:
    return reading_back.means(record, *probe, start_ms, end_ms)


def _near(said: Sequence[tuple[int, float]], at_ms: int) -> float | None:
    place = nearest(np.array([ms for ms, _ in said], dtype=np.int64), at_ms)
    return None if place is None else said[place][1]


def _dew_c(
    record: sqlite3.Connection, moist: tuple[str, str], said: Sequence[tuple[int, float]], dark: Dark
) -> float | None:
    evening_ms = dark.sunset_ms + EVENING_MS
    humidity = _near(_said(record, moist, evening_ms - HOUR_MS, evening_ms + HOUR_MS), evening_ms)
    t0_c = _near(said, evening_ms)
    return None if humidity is None or t0_c is None or humidity <= 0 else dew_point_c(t0_c, min(humidity, 100.0))


def _fed_course(state: State, dark: Dark) -> tuple[tuple[int, float], ...]:
    """Return the forecast's part of the night, if it reaches to its end."""
    with state.reading("season.db") as season:
        told: list[Expectation] = forecast.expected_from(season, dark.sunset_ms)
    if not told or told[-1].at_ms < dark.sunrise_ms:
        return ()
    return tuple((each.at_ms, each.outside_c) for each in told if each.at_ms <= dark.sunrise_ms + MORNING_MS)
