"""A station's days: lowest and highest temperature by date, what is missing, and days made from hourly readings."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, timedelta, tzinfo

import numpy as np
from numpy.typing import NDArray

from api.season.hours import WakingError, date_at, midnight_ms, sound
from controller.errors import SoilwardError

HOUR_MS = 3_600_000

SPIKE_K = 6.0
"""[K] from the median of five readings beyond which one is no weather: a front moves them all. JFK read 13 F between
hours of 55 F on 8 May 2013. Source: engineering judgement."""

LONGEST_GAP_MS = 3 * HOUR_MS
"""[ms] over which a day's lowest may not be missed. Source: engineering judgement."""

COLDEST_C, WARMEST_C = -90.0, 60.0
"""[Cel] no place on earth was ever colder or warmer (WMO extremes: -89.2 and 56.7)."""

Milliseconds = NDArray[np.int64]
Temperatures = NDArray[np.float64]


class RecordError(SoilwardError):
    """A record of weather that cannot be taken; says where, what and the remedy. Nothing of it is kept."""


@dataclass(frozen=True, slots=True)
class Day:
    """One day's lowest and highest temperature [Cel]; None is missing."""

    on: date
    tmin_c: float | None
    tmax_c: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Daily:
    """The days of one place, in order of date; a date that is not among them is missing as well.

    `note` says what a reader should know of them. One record is itself alone, so that what follows from it may be kept.
    """

    place: str
    days: Mapping[date, Day]
    note: str = ""

    def tmin_c(self, on: date) -> float | None:
        """Return a date's lowest [Cel], or None."""
        day = self.days.get(on)
        return None if day is None else day.tmin_c

    @property
    def span(self) -> tuple[date, date]:
        """The first and last date; refuses a record without a day."""
        if not self.days:
            raise RecordError(f"{self.place}: the record has no day; give one that has")
        return next(iter(self.days)), next(reversed(list(self.days)))

    def missing(self, first: date, last: date) -> list[date]:
        """Return the dates from first to last whose lowest is missing."""
        return [on for on in dates(first, last) if self.tmin_c(on) is None]


def dates(first: date, last: date) -> list[date]:
    """Return every date from first to last."""
    return [first + timedelta(days=count) for count in range((last - first).days + 1)]


def daily_of(place: str, days: Iterable[Day], note: str = "") -> Daily:
    """Return days as a record in order of date.

    Raises
    ------
    RecordError
        If a date is there twice.
    """
    by_date: dict[date, Day] = {}
    for day in days:
        if day.on in by_date:
            raise RecordError(f"{place}: {day.on} is there twice; keep one record of each day")
        by_date[day.on] = day
    return Daily(place, dict(sorted(by_date.items())), note)


def extended(station: Daily, own: Daily) -> Daily:
    """Return a station's record with our own readings where the station has none."""
    days = dict(own.days)
    days.update((on, day) for on, day in station.days.items() if day.tmin_c is not None or on not in days)
    return Daily(f"{station.place}, extended by {own.place}", dict(sorted(days.items())), station.note)


def believed(times_ms: Milliseconds, values_c: Temperatures) -> tuple[Milliseconds, Temperatures]:
    """Return readings in order of time, without those that are no number and without single spikes.

    Raises
    ------
    RecordError
        If a value is beyond anything air ever was: then the unit is wrong, not the reading.
    """
    try:
        times_ms, values_c = sound(times_ms, values_c, WARMEST_C)
    except WakingError as error:
        raise RecordError(f"outside air: {error}") from error
    steady = ~spikes(values_c)
    return times_ms[steady], values_c[steady]


def spikes(values_c: Temperatures) -> NDArray[np.bool_]:
    """Return which of a row of readings stand more than 6 K off the median of the five about them.

    Notes
    -----
    A steady climb or fall, however steep, is its own median, so fronts pass. At the ends the row is mirrored. What is
    within 6 K of both its neighbours is within 6 K of the median, so only the others are looked at.
    """
    if len(values_c) < 5:
        return np.zeros(len(values_c), dtype=bool)
    steps = np.abs(np.diff(values_c, prepend=values_c[0], append=values_c[-1])) > SPIKE_K
    found: NDArray[np.bool_] = steps[1:] | steps[:-1]
    maybe = np.flatnonzero(found)
    about = np.pad(values_c, 2, mode="reflect")[maybe[:, np.newaxis] + np.arange(5)]
    found[maybe] = np.abs(values_c[maybe] - np.median(about, axis=1)) > SPIKE_K
    return found


def station_days(place: str, times_ms: Milliseconds, values_c: Temperatures, zone: tzinfo) -> Daily:
    """Return a record of days, midnight to midnight in a time zone, from readings at any times [ms UTC, Cel].

    Notes
    -----
    A day with more than 3 h between readings, or to its midnights, is missing. The day the clocks change has 23 or
    25 hours and is a day like any other.
    """
    times_ms, values_c = believed(times_ms, values_c)
    if not len(times_ms):
        return Daily(place, {})
    first, last = (date_at(int(at), zone) for at in times_ms[[0, -1]])
    days = (_day(on, times_ms, values_c, zone) for on in dates(first, last))
    return Daily(place, {day.on: day for day in days})


def _day(on: date, times_ms: Milliseconds, values_c: Temperatures, zone: tzinfo) -> Day:
    begin_ms, end_ms = midnight_ms(on, zone), midnight_ms(on + timedelta(days=1), zone)
    one, other = np.searchsorted(times_ms, [begin_ms, end_ms])
    within = times_ms[one:other]
    if np.diff(np.concatenate([[begin_ms], within, [end_ms]])).max() > LONGEST_GAP_MS:
        return Day(on, None, None)
    return Day(on, float(values_c[one:other].min()), float(values_c[one:other].max()))
