"""How far awake the plants are: a count of cold or warmth through a season, and when a stage is to be expected."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, tzinfo

import numpy as np
from numpy.typing import NDArray

from api.season import chill, heat_units
from api.season.chill import ChillMethod
from api.season.daylength import hourly_c
from api.season.heat_units import Bounds, HeatMethod
from api.season.hours import HOUR_MS, Array, Hours, WakingError, bridged, dates, midnight_ms

METHODS: dict[str, ChillMethod | HeatMethod] = {**chill.METHODS, **heat_units.METHODS}
"""Every count by the name that settings choose it by."""

CHILL_FROM, HEAT_FROM = (11, 1), (1, 1)
"""Month and day from which cold and warmth are counted in the north; half a year later in the south (common practice).
"""

MOST_MISSING = 0.05
"""Share of a season's hours without readings beyond which its sum proves nothing (engineering judgement)."""

RECENT_YEARS = 5
"""Years whose mean tells how fast a sum grows at each time of the season (engineering judgement)."""


ROUNDING = 1e-9
"""Units by which sums of the same days in another order may differ."""


@dataclass(frozen=True, slots=True)
class Course:
    """A count from a season's first day on: sum at the end of each day, and the hours that counted nothing by then."""

    method: str
    unit: str
    start: date
    totals: Array
    hours_missing: NDArray[np.int64]
    hours: NDArray[np.int64]

    def total_on(self, on: date) -> float | None:
        """Return the sum at the end of a date, or None outside the course."""
        place = (on - self.start).days
        return float(self.totals[place]) if 0 <= place < len(self.totals) else None

    def is_sound_on(self, on: date) -> bool:
        """Tell whether at most 5 % of the hours up to the end of a date within the course are missing."""
        place = (on - self.start).days
        return bool(self.hours_missing[place] <= MOST_MISSING * self.hours[place])


@dataclass(frozen=True, slots=True)
class Seen:
    """A stage seen in an earlier year of this site, and that year's course."""

    on: date
    course: Course


@dataclass(frozen=True, slots=True)
class Expected:
    """When a stage is to be expected: the sum it needed in earlier years and the dates of that sum this year.

    Notes
    -----
    `needed` is the median, `least` and `most` the range; a date is None where recent years tell of no such sum.
    """

    needed: float
    least: float
    most: float
    years: int
    on: date | None
    earliest: date | None
    latest: date | None


@dataclass(frozen=True, slots=True)
class NotExpected:
    """Why no date is given."""

    reason: str


def season_start(on: date, month_and_day: tuple[int, int], latitude: float) -> date:
    """Return the first day of the season that a date lies in; in the south seasons begin half a year later.

    Parameters
    ----------
    month_and_day
        `CHILL_FROM` or `HEAT_FROM`, or what settings say, as meant in the north.
    latitude
        [deg] north positive.
    """
    month, day = month_and_day
    if latitude < 0.0:
        month = (month + 5) % 12 + 1
    this_year = date(on.year, month, day)
    return this_year if this_year <= on else date(on.year - 1, month, day)


def hours_of_days(first: date, lowest_c: Array, highest_c: Array, latitude: float) -> Hours:
    """Return hours made from a station's daily lowest and highest [Cel], days in a row from the first on.

    Notes
    -----
    Their clock is the station's own, so that a course is taken from them with UTC as its zone.

    Source: Linvill 1990, HortScience 25:14-16.
    """
    day_of_year = np.array([each.timetuple().tm_yday for each in dates(first, len(lowest_c))], dtype=float)
    mean_c = hourly_c(lowest_c, highest_c, day_of_year, latitude)
    begin_ms = round(datetime(first.year, first.month, first.day, tzinfo=UTC).timestamp() * 1000)
    return Hours(begin_ms, mean_c, np.repeat(lowest_c, 24), np.repeat(highest_c, 24))


def course(name: str, hours: Hours, first: date, last: date, zone: tzinfo, bounds: Bounds | None = None) -> Course:
    """Return the count of a method from a season's first day to the last one asked for.

    Parameters
    ----------
    name
        One of `METHODS`.
    first, last
        Dates in the time zone; the day the clocks change has 23 or 25 hours and is a day like any other.
    bounds
        Base and upper temperature for a count of warmth; None takes the method's usual ones.

    Notes
    -----
    A day with more than 3 h between readings gives no degree days by lowest and highest; all its hours are missing.
    """
    method = METHODS.get(name)
    if method is None:
        raise WakingError(f"no method {name!r}; known are {', '.join(METHODS)}")
    if last < first:
        raise WakingError(f"a season from {first} to {last} has no day; give the first day first")
    midnights_ms = [midnight_ms(on, zone) for on in dates(first, (last - first).days + 2)]
    season = hours.between(midnights_ms[0], midnights_ms[-1])
    starts = np.array([-(-at_ms // HOUR_MS) for at_ms in midnights_ms]) - season.first_ms // HOUR_MS
    gained, missing = _daily(method, season, starts, bounds)
    lengths = np.diff(starts)
    return Course(name, method.unit, first, np.cumsum(gained), np.cumsum(missing), np.cumsum(lengths))


def expected(seen: Sequence[Seen], this: Course, recent: Sequence[Course]) -> Expected | NotExpected:
    """Return when a stage is to be expected this year, by this site's own earlier years only, or why it is not.

    Parameters
    ----------
    seen
        The stage in earlier years, each with its course by the same method and bounds.
    this
        This year's course up to the last whole day.
    recent
        Courses of earlier years, oldest first; the mean of the last five tells how the sum grows from here on.

    Notes
    -----
    Years are laid day on day from the season's first, so after 29 February they may be a day apart.
    """
    for each in (*(one.course for one in seen), *recent):
        if each.method != this.method:
            raise WakingError(f"a sum by {each.method!r} says nothing of one by {this.method!r}; count all years alike")
    told = [each for each in seen if each.course.total_on(each.on) is not None and each.course.is_sound_on(each.on)]
    if not seen:
        return NotExpected("no earlier year of this site has this stage on record")
    if not told:
        return NotExpected("in every earlier year with this stage more than 5 % of the hours before it are missing")
    if not this.is_sound_on(dates(this.start, len(this.totals))[-1]):
        return NotExpected("more than 5 % of this season's hours are missing, so its sum is not known")
    sums = np.array([each.course.total_on(each.on) for each in told], dtype=float)
    ahead = np.concatenate([this.totals, this.totals[-1] + np.cumsum(_rates(recent, len(this.totals)))])
    needed, least, most = (float(each) for each in (np.median(sums), sums.min(), sums.max()))
    on, earliest, latest = (_reached(ahead, each, this.start) for each in (needed, least, most))
    return Expected(needed, least, most, len(told), on, earliest, latest)


def _daily(
    method: ChillMethod | HeatMethod, season: Hours, starts: NDArray[np.int64], bounds: Bounds | None
) -> tuple[Array, NDArray[np.int64]]:
    """Return what each day gives, and how many of its hours counted nothing."""
    days = starts[:-1]
    unread = np.add.reduceat(np.isnan(bridged(season.mean_c)), days, dtype=np.int64)
    if isinstance(method, ChillMethod):
        return np.add.reduceat(method.per_hour(season.mean_c), days), unread
    bounds = bounds or method.usual
    if method.per_hour is not None:
        return np.add.reduceat(method.per_hour(season.mean_c, bounds), days), unread
    low_c, high_c = np.fmin.reduceat(season.lowest_c, days), np.fmax.reduceat(season.highest_c, days)
    low_c = np.where(unread > 0, np.nan, low_c)
    next_c = np.append(low_c[1:], np.nan)
    assert method.per_day is not None, "a count of warmth goes by hour or by day"
    return method.per_day(low_c, high_c, next_c, bounds), np.where(unread > 0, np.diff(starts), 0)


def _rates(recent: Sequence[Course], begin: int) -> Array:
    """Return the mean gain of each day from a place of the season on, as far as any recent year reaches."""
    gains = [np.diff(each.totals, prepend=0.0)[begin:] for each in recent[-RECENT_YEARS:]]
    reach = max((len(each) for each in gains), default=0)
    table = np.array([np.pad(each, (0, reach - len(each)), constant_values=np.nan) for each in gains])
    return np.nanmean(table, axis=0) if reach else np.empty(0)


def _reached(totals: Array, needed: float, start: date) -> date | None:
    """Return the first date whose sum is what was needed."""
    enough = np.flatnonzero(totals >= needed - ROUNDING)
    return dates(start, int(enough[0]) + 1)[-1] if len(enough) else None
