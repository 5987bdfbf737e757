"""What a season of heat takes: its days of a record lived through with the sun and sky that their swings tell. Pure."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from functools import lru_cache

import numpy as np

from api.season.balance import DEEP, GROUND, OUTSIDE, SKY, SUN, WATTS, Air, Array, balance_of
from api.season.daily import Daily, dates
from api.season.day_sky import above_w_m2, sky_w_m2, sun_w_m2, through_the_day
from api.season.sizing import Bed, Demand, demand_of
from controller.plant.construction import HeaterKind

LEAST_KNOWN = 0.9
"""Part of its days that a season needs on record to count as whole; those missing count as the mean of the others.
Source: engineering judgement."""
USUAL_SWING_K = 10.0
"""[K] between a day's lowest and highest, where only its mean is given (assumption)."""
WIND_M_S = 2.0
"""[m/s] where no wind is known. Source: FAO-56, chapter 3: the mean of more than 2000 stations."""
STEPS = 8
"""Steps to a day."""
WARMEST_HOUR = 15.0
GROUND_MEMORY_D = 3.0
"""[d] by which the ground beside the bed follows the air, as in the simulated enclosure."""
WARMING_D = 7
"""[d] in which cold soil is being warmed: no heater falls short meanwhile."""


@dataclass(frozen=True, slots=True)
class Season:
    """The days of one season: its first one, how many, and each one's lowest and highest [Cel], nan if not known."""

    first: date
    lowest_c: tuple[float, ...]
    highest_c: tuple[float, ...]

    @property
    def year(self) -> int:
        """The year it begins in."""
        return self.first.year

    @property
    def days(self) -> int:
        """How many days it has."""
        return len(self.lowest_c)

    @property
    def known(self) -> int:
        """How many of them are on record."""
        return int(np.isfinite(np.add(self.lowest_c, self.highest_c)).sum())

    @property
    def coldest_c(self) -> float:
        """[Cel] the lowest of all."""
        return float(np.nanmin(self.lowest_c))

    @property
    def whole(self) -> bool:
        """Whether enough days are on record."""
        return self.known >= LEAST_KNOWN * self.days


@dataclass(frozen=True, slots=True)
class Used:
    """Heat of one season [kWh], and on how many of its days on record the heater falls short."""

    year: int
    kwh: float
    short_days: int


def seasons(record: Daily, first: tuple[int, int], last: tuple[int, int]) -> tuple[Season, ...]:
    """Return every season of a record from one (month, day) to another, with what it knows of each.

    Notes
    -----
    A last day before the first is in the next year, as in winter or in the south. 29 February counts as 28 where there
    is none. A day is known by both its lowest and its highest.
    """
    begins, ends = record.span
    found = []
    for year in range(begins.year - 1, ends.year + 1):
        span = dates(_on(year, first), _on(year + (last < first), last))
        days = [record.days.get(on) for on in span]
        lows = tuple(np.nan if each is None or each.tmin_c is None else each.tmin_c for each in days)
        highs = tuple(np.nan if each is None or each.tmax_c is None else each.tmax_c for each in days)
        if (season := Season(span[0], lows, highs)).known:
            found.append(season)
    return tuple(found)


def counted(found: Iterable[Season]) -> tuple[Season, ...]:
    """Return the whole seasons, or where there is none the last begun: the one to be told with its days."""
    every = tuple(found)
    return tuple(each for each in every if each.whole) or every[-1:]


def steady_season(mean_c: float, first: tuple[int, int], last: tuple[int, int]) -> Season:
    """Return a season of days that are all alike, for a mean [Cel] that somebody gives."""
    days = (_on(2025 + (last < first), last) - _on(2025, first)).days + 1
    half_k = USUAL_SWING_K / 2.0
    return Season(_on(2025, first), (mean_c - half_k,) * days, (mean_c + half_k,) * days)


def used(demand: Demand, soil_c: float, found: Sequence[Season], rated_w: float, latitude: float) -> tuple[Used, ...]:
    """Return what holding the soil [Cel] takes in each season with a heater that just suffices on its coldest night.

    Parameters
    ----------
    rated_w
        [W] of the heater at hand, for the days on which it falls short.
    latitude
        [deg] of the place, for the sun.

    Notes
    -----
    Each season begins with the soil as it is without heat. Days that are missing are lived through half way between
    their neighbours, and count as the mean of those on record.
    """
    if not found:
        return ()
    told = []
    lived = _lived(demand.bed, demand.heater, soil_c, tuple(found), latitude)
    for each, watts in zip(found, lived, strict=True):
        known = np.isfinite(np.add(each.lowest_c, each.highest_c))
        mean_w = watts[: each.days][known]
        days = each.days if each.whole else each.known
        short = int((mean_w[WARMING_D:] > rated_w).sum())
        told.append(Used(each.year, float(mean_w.mean()) * days * 24.0 / 1000.0, short))
    return tuple(told)


@lru_cache(maxsize=32)
def _lived(bed: Bed, heater: HeaterKind, soil_c: float, found: tuple[Season, ...], latitude: float) -> Array:
    """Return each season's heat, the mean of each day [W]: all seasons side by side, eight steps to a day."""
    demand, weather = demand_of(bed, heater), _weather(found, latitude)
    roots = demand.balance.roots
    ways = [
        balance_of(bed.built, heater, bed.roots_m, Air(WIND_M_S, lit)).stepped(86_400.0 / STEPS)
        for lit in (False, True)
    ]
    most_w = demand.watts(soil_c, min(each.coldest_c for each in found))
    deep = _at(DEEP, bed.deep_c)
    now = demand.rest[:, :WATTS] @ (weather.begins + deep)
    brought = [brings[:, :WATTS] @ (weather.inputs + deep) for _, brings in ways]
    per_w = [brings[:, WATTS] for _, brings in ways]
    lifts = [float(roots @ each) for each in per_w]
    heat = np.zeros((len(weather.lit), len(found)))
    for step, lit in enumerate(weather.lit):
        free = ways[lit][0] @ now + brought[lit][step]
        watts = np.minimum(np.maximum((soil_c - roots @ free) / lifts[lit], 0.0), most_w)
        now = free + per_w[lit][:, None] * watts
        heat[step] = watts
    return np.asarray(heat.reshape(-1, STEPS, len(found)).mean(axis=1).T)


@dataclass(frozen=True, slots=True)
class _Weather:
    """The inputs of a balance for seasons side by side, but for the deep ground.

    Parameters
    ----------
    inputs, begins
        Steps by inputs by seasons; and inputs by seasons of the first week.
    lit
        Whether the sun is up, by steps.
    """

    inputs: Array
    begins: Array
    lit: tuple[bool, ...]


@lru_cache(maxsize=4)
def _weather(found: tuple[Season, ...], latitude: float) -> _Weather:
    longest = max(found, key=lambda each: each.days)
    lows, highs = (
        np.array([_filled(values, longest.days) for values in each]).T
        for each in ([one.lowest_c for one in found], [one.highest_c for one in found])
    )
    span = dates(longest.first, longest.first + timedelta(days=longest.days - 1))
    day_of_year = np.array([float(on.timetuple().tm_yday) for on in span])
    above = np.repeat(above_w_m2(day_of_year, latitude)[:, None], len(found), axis=1)
    middle, half = (highs + lows) / 2.0, (highs - lows) / 2.0
    sun = sun_w_m2(above, lows, highs)
    hours = (np.arange(STEPS) + 0.5) * 24.0 / STEPS
    light = through_the_day(day_of_year, latitude, hours)
    days = np.zeros((len(span), STEPS, WATTS, len(found)))
    days[:, :, OUTSIDE] = middle[:, None] + half[:, None] * np.cos(np.pi * (hours - WARMEST_HOUR) / 12.0)[:, None]
    days[:, :, GROUND] = _lagged(middle)[:, None]
    days[:, :, SUN] = sun[:, None] * light[:, :, None]
    days[:, :, SKY] = sky_w_m2(above, sun, lows, middle)[:, None]
    lit = tuple(bool(each) for each in (light > 0.0).ravel())
    return _Weather(days.reshape(-1, WATTS, len(found)), days[:WARMING_D].mean(axis=(0, 1)), lit)


def _at(where: int, value: float) -> Array:
    """Return inputs of which one has a value, as a column."""
    inputs = np.zeros((WATTS, 1))
    inputs[where] = value
    return inputs


def _filled(values: Sequence[float], days: int) -> Array:
    """Return a season's values without gaps, and as many as the longest has."""
    row = np.array(values)
    known = np.flatnonzero(np.isfinite(row))
    return np.asarray(np.interp(np.arange(days), known, row[known]))


def _lagged(middle: Array) -> Array:
    """Return the ground beside the bed, which follows the days' means."""
    ground, now_c = np.empty_like(middle), middle[:WARMING_D].mean(axis=0)
    for on, each in enumerate(middle):
        now_c = now_c + (each - now_c) * (1.0 - np.exp(-1.0 / GROUND_MEMORY_D))
        ground[on] = now_c
    return ground


def _on(year: int, month_day: tuple[int, int]) -> date:
    month, day = month_day
    return date(year, month, day) if (month, day) != (2, 29) else date(year, 3, 1) - timedelta(days=1)
