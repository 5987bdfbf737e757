"""Readings at any times as a row of hours, and what is done where hours are missing."""

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, tzinfo

import numpy as np
from numpy.typing import NDArray

from controller.errors import SoilwardError

Array = NDArray[np.float64]
HOUR_MS = 3_600_000

SHARE_MS = 300_000
"""[ms] within which readings count as one, so that a burst of them does not outweigh a quiet spell."""

BRIDGED_H = 3
"""[h] up to which a gap is bridged by a straight line; the sun moves air on in longer ones (engineering judgement)."""

COLDEST_C, WARMEST_C = -90.0, 85.0
"""[Cel] beyond which the unit is wrong, not the weather: the coldest air on earth, a closed glasshouse in the
sun."""


class WakingError(SoilwardError):
    """Readings, days or bounds that nothing can be counted from; says what, the bound and the remedy."""


@dataclass(frozen=True, slots=True)
class Hours:
    """Hours in a row from `first_ms` [ms UTC]: mean, lowest and highest [Cel], NaN where nothing was read."""

    first_ms: int
    mean_c: Array
    lowest_c: Array
    highest_c: Array

    @property
    def end_ms(self) -> int:
        """When the last hour is over [ms UTC]."""
        return self.first_ms + len(self.mean_c) * HOUR_MS

    def between(self, begin_ms: int, end_ms: int) -> "Hours":
        """Return the hours that begin within [ms UTC), NaN before the first and after the last reading."""
        begin, end, first = -(-begin_ms // HOUR_MS), -(-end_ms // HOUR_MS), self.first_ms // HOUR_MS
        low, high = max(begin, first), min(end, first + len(self.mean_c))

        def cut(values: Array) -> Array:
            row = np.full(max(end - begin, 0), np.nan)
            if high > low:
                row[low - begin : high - begin] = values[low - first : high - first]
            return row

        return Hours(begin * HOUR_MS, cut(self.mean_c), cut(self.lowest_c), cut(self.highest_c))


def hours_of(times_ms: NDArray[np.int64], values_c: Array) -> Hours:
    """Return readings at any times, in any order, as hours of UTC.

    Parameters
    ----------
    times_ms, values_c
        [ms] UTC and [Cel], one of each per reading. No number counts as no reading; of two with the same time the
        first counts.

    Raises
    ------
    WakingError
        If a value is beyond anything soil or air can be, or the arrays differ in length.

    Notes
    -----
    An hour's mean is the mean of its five-minute means.
    """
    times_ms, values_c = sound(times_ms, values_c, WARMEST_C)
    if not len(times_ms):
        return Hours(0, *(np.empty(0) for _ in range(3)))
    shares, shared_c = _means(times_ms // SHARE_MS, values_c)
    hours, mean_c = _means(shares * SHARE_MS // HOUR_MS, shared_c)
    starts = np.searchsorted(times_ms, hours * HOUR_MS)
    place, size = hours - hours[0], int(hours[-1] - hours[0]) + 1
    each = (mean_c, np.minimum.reduceat(values_c, starts), np.maximum.reduceat(values_c, starts))
    return Hours(int(hours[0]) * HOUR_MS, *(_spread(values, place, size) for values in each))


def bridged(hourly_c: Array) -> Array:
    """Return hours with gaps up to 3 h between two readings bridged by a straight line; longer ones stay NaN.

    Parameters
    ----------
    hourly_c
        [Cel]; NaN and infinity are missing.
    """
    known = np.isfinite(hourly_c)
    if known.all() or not known.any():
        return np.where(known, hourly_c, np.nan)
    at = np.flatnonzero(known)
    line_c = np.interp(np.arange(len(hourly_c)), at, hourly_c[at], left=np.nan, right=np.nan)
    after = np.searchsorted(at, np.arange(len(hourly_c)))
    gap_h = at[np.minimum(after, len(at) - 1)] - at[np.maximum(after - 1, 0)] - 1
    return np.where(known | (gap_h <= BRIDGED_H), line_c, np.nan)


def midnight_ms(on: date, zone: tzinfo) -> int:
    """Return when a date begins in a time zone [ms UTC]."""
    return round(datetime(on.year, on.month, on.day, tzinfo=zone).timestamp() * 1000)


def dates(first: date, count: int) -> list[date]:
    """Return so many dates from the first on."""
    return [first + timedelta(days=each) for each in range(count)]


def date_at(at_ms: int, zone: tzinfo) -> date:
    """Return the date at an instant [ms UTC] in a time zone."""
    return datetime.fromtimestamp(at_ms / 1000.0, UTC).astimezone(zone).date()


def sound(times_ms: NDArray[np.int64], values_c: Array, warmest_c: float) -> tuple[NDArray[np.int64], Array]:
    """Return readings in order of time, each time once, without those that are no number.

    Raises
    ------
    WakingError
        If one is beyond -90 Cel or the warmest there can be, or the arrays differ in length.
    """
    if len(times_ms) != len(values_c):
        raise WakingError(f"{len(times_ms)} times and {len(values_c)} temperatures; give one of each per reading")
    known = np.isfinite(values_c)
    times_ms, values_c = times_ms[known], values_c[known]
    beyond = np.flatnonzero((values_c < COLDEST_C) | (values_c > warmest_c))
    if len(beyond):
        value = f"{values_c[beyond[0]]:g} Cel at {times_ms[beyond[0]]} ms"
        raise WakingError(f"a temperature of {value} is outside {COLDEST_C:g} to {warmest_c:g} Cel; look at its unit")
    if (np.diff(times_ms) > 0).all():
        return times_ms, values_c
    times_ms, first = np.unique(times_ms, return_index=True)
    return times_ms, values_c[first]


def _means(keys: NDArray[np.int64], values: Array) -> tuple[NDArray[np.int64], Array]:
    """Return each key of an ordered row once, and the mean of its values."""
    starts = np.flatnonzero(np.diff(keys, prepend=keys[0] - 1))
    return keys[starts], np.add.reduceat(values, starts) / np.diff(starts, append=len(keys))


def _spread(values: Array, place: NDArray[np.int64], size: int) -> Array:
    row = np.full(size, np.nan)
    row[place] = values
    return row
