"""Outdoor weather: made up by seed, or read from hourly records."""

import math
import random
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Protocol

from controller.plant.sun import clear_sky_ghi_w_m2, cloudy_ghi_w_m2, solar_position, solar_position_at

HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS
_EDGE_DAYS = 0.25
"""[d] over which a cold snap or a sunny day sets in and ends."""


@dataclass(slots=True)
class WeatherNow:
    """Outdoors at one instant: [Cel], sun on flat ground [W/m2], wind [m/s], humidity [%RH], cloud cover 0-1."""

    outside_c: Final[float]
    ghi_w_m2: Final[float]
    wind_m_s: Final[float]
    humidity_pct: Final[float]
    cloud: Final[float]


class Weather(Protocol):
    """Anything that knows the weather at [ms] UTC."""

    def at(self, utc_ms: int) -> WeatherNow:
        """Return the weather then; the same answer every time it is asked."""
        ...


class SpringWeather:
    """Invented spring weather: a daily cycle, a front every few days, drifting cloud, gusty wind.

    Parameters
    ----------
    seed
        Same seed, same weather.
    latitude, longitude
        [deg]; a southern latitude gets the same spring as its northern twin.
    start_ms
        [ms] UTC of day 0.
    season_day
        Day of the (northern) year that day 0 stands for, whatever the calendar says.
    cold_snap
        (first day, end day, kelvin colder), days counted from day 0, or None.
    sunny_days
        Whole days from day 0 with hardly a cloud.

    Notes
    -----
    Annual mean 27 - 0.33 |latitude| and amplitude 0.12 |latitude| [Cel] (engineering judgement, maritime middle
    latitudes). Every figure is a smooth function of time, so any instant may be asked in any order.
    """

    def __init__(
        self,
        seed: int,
        latitude: float,
        longitude: float,
        start_ms: int,
        *,
        season_day: float = 75.0,
        cold_snap: tuple[float, float, float] | None = None,
        sunny_days: Sequence[int] = (),
    ) -> None:
        draw = random.Random(seed)
        self._seed = seed
        self._latitude, self._longitude = abs(latitude), longitude
        self._start_ms, self._season_day = start_ms, season_day
        self._cold_snap = cold_snap
        self._sunny_days = tuple(sunny_days)
        self._fronts = [
            (2.0 * math.pi / draw.uniform(*days), draw.uniform(0.0, 2.0 * math.pi), kelvin)
            for days, kelvin in (((2.6, 3.8), 1.6), ((4.2, 6.0), 2.4), ((8.0, 13.0), 2.4))
        ]
        self._knot_hour = -1
        self._knots = ((0.0, 0.0, 0.0), (0.0, 0.0, 0.0))
        self.annual_mean_c = 27.0 - 0.33 * self._latitude

    def at(self, utc_ms: int) -> WeatherNow:
        """Return the weather at [ms] UTC."""
        days = (utc_ms - self._start_ms) / DAY_MS
        hour = (utc_ms % DAY_MS) / HOUR_MS
        season = self._season_day + days
        front_k, cloud_drift = self._front(days)
        gust, cloud_noise, warmth = self._gusts(utc_ms)
        sunny = 0.0
        for day in self._sunny_days:
            sunny = max(sunny, _within(days, day, day + 1.0))
        cloud = 1.0 / (1.0 + math.exp(-(0.2 + 1.6 * cloud_drift + 1.1 * cloud_noise)))
        cloud += sunny * (0.03 - cloud)
        swing = math.cos(2.0 * math.pi * (hour + self._longitude / 15.0 - 14.5) / 24.0)
        mean_c = self.annual_mean_c + 0.12 * self._latitude * math.cos(2.0 * math.pi * (season - 200.0) / 365.25)
        outside_c = mean_c + front_k + (2.0 + 4.5 * (1.0 - cloud)) * swing + 0.5 * warmth
        if self._cold_snap is not None:
            first, end, kelvin = self._cold_snap
            outside_c -= kelvin * _within(days, first, end)
        zenith, _ = solar_position((season - 1.0) % 365.0 + 1.0, hour, self._latitude, self._longitude)
        humidity = max(35.0, min(100.0, 78.0 + 12.0 * (cloud - 0.5) - 14.0 * swing * (1.2 - cloud) + 3.0 * warmth))
        wind = max(0.2, 2.5 + 1.3 * cloud_drift + 0.8 * swing + 1.2 * gust)
        return WeatherNow(outside_c, cloudy_ghi_w_m2(clear_sky_ghi_w_m2(zenith), cloud), wind, humidity, cloud)

    def _front(self, days: float) -> tuple[float, float]:
        """Return [K] of the passing fronts, and how overcast they are, about -1 to 1: mild and dull, then clear."""
        kelvin = drift = 0.0
        for rate, phase, size in self._fronts:
            angle = rate * days + phase
            angle += 0.5 * math.sin(angle)  # a front arrives faster than it leaves
            kelvin += size * math.sin(angle)
            drift += 0.45 * math.sin(angle - 0.8)
        return kelvin, drift

    def _gusts(self, utc_ms: int) -> tuple[float, float, float]:
        """Return three hourly noises, blended so that neither value nor slope jumps at the hour."""
        hour, past = divmod(utc_ms, HOUR_MS)
        if hour != self._knot_hour:
            self._knots = (self._knot(hour), self._knot(hour + 1))
            self._knot_hour = hour
        x = past / HOUR_MS
        blend = x * x * (3.0 - 2.0 * x)
        (a, b, c), (d, e, f) = self._knots
        return a + (d - a) * blend, b + (e - b) * blend, c + (f - c) * blend

    def _knot(self, hour: int) -> tuple[float, float, float]:
        draw = random.Random(f"{self._seed}/{hour}")
        return draw.gauss(0.0, 1.0), draw.gauss(0.0, 1.0), draw.gauss(0.0, 1.0)


def _within(days: float, first: float, end: float) -> float:
    """Return 1 inside the days, 0 well outside, and a smooth quarter day between."""
    if days <= first - _EDGE_DAYS or days >= end + _EDGE_DAYS:
        return 0.0
    x = min(max((min(days - first, end - days) / _EDGE_DAYS) + 1.0, 0.0), 1.0)
    return x * x * (3.0 - 2.0 * x)


class HourlyWeather:
    """Recorded weather, straight lines between records; the first and last record hold beyond the ends.

    Parameters
    ----------
    times_ms, outside_c
        [ms] UTC rising, and [Cel]; equal lengths, at least one.
    latitude, longitude
        [deg] for the sun.
    humidity_pct, wind_m_s, cloud
        [%RH], [m/s], 0-1, as long as `times_ms`; without them 75 %, 3 m/s, and cloud guessed.
    light_w_m2
        [W/m2] sun on flat ground as measured; without it, the clear sky's less the cloud.

    Raises
    ------
    ValueError
        If lengths differ, times do not rise, or a value is not finite.

    Notes
    -----
    Cloud without a record is guessed from the day's mean humidity, none at 45 % and full at 90 % (engineering
    judgement); sun is the clear sky's, less that cloud.
    """

    def __init__(
        self,
        times_ms: Sequence[int],
        outside_c: Sequence[float],
        *,
        latitude: float,
        longitude: float,
        humidity_pct: Sequence[float] | None = None,
        wind_m_s: Sequence[float] | None = None,
        cloud: Sequence[float] | None = None,
        light_w_m2: Sequence[float] | None = None,
    ) -> None:
        self._times_ms = list(times_ms)
        self._latitude, self._longitude = latitude, longitude
        count = len(self._times_ms)
        if not count or any(b <= a for a, b in zip(self._times_ms, self._times_ms[1:], strict=False)):
            raise ValueError("weather records need at least one time, and times that rise")
        humid = [75.0] * count if humidity_pct is None else list(humidity_pct)
        columns = [list(outside_c), humid, [3.0] * count if wind_m_s is None else list(wind_m_s)]
        columns.append(_guess_cloud(humid) if cloud is None else list(cloud))
        self._is_light_measured = light_w_m2 is not None
        columns.append([0.0] * count if light_w_m2 is None else list(light_w_m2))
        for column in columns:
            if len(column) != count or not all(math.isfinite(value) for value in column):
                raise ValueError("every weather column must be finite and as long as the times")
        self._rows = list(zip(*columns, strict=True))

    def at(self, utc_ms: int) -> WeatherNow:
        """Return the weather at [ms] UTC."""
        times, rows = self._times_ms, self._rows
        after = min(max(bisect_right(times, utc_ms), 1), len(times) - 1)
        before = max(after - 1, 0)
        span = times[after] - times[before]
        share = min(max((utc_ms - times[before]) / span, 0.0), 1.0) if span else 0.0
        outside_c, humidity, wind, cloud, light = (
            a + (b - a) * share for a, b in zip(rows[before], rows[after], strict=True)
        )
        if self._is_light_measured:
            return WeatherNow(outside_c, light, wind, humidity, cloud)
        zenith, _ = solar_position_at(utc_ms, self._latitude, self._longitude)
        return WeatherNow(outside_c, cloudy_ghi_w_m2(clear_sky_ghi_w_m2(zenith), cloud), wind, humidity, cloud)


def _guess_cloud(humidity_pct: list[float]) -> list[float]:
    """Return cloud 0-1 per record from the mean humidity of the 24 records around it."""
    sums = [0.0]
    for value in humidity_pct:
        sums.append(sums[-1] + value)
    guesses = []
    for i in range(len(humidity_pct)):
        low, high = max(i - 12, 0), min(i + 12, len(humidity_pct))
        guesses.append(min(max(((sums[high] - sums[low]) / (high - low) - 45.0) / 45.0, 0.0), 1.0))
    return guesses
