"""How late and how early it freezes here, and how likely it still will: from the freeze dates on record."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from api.season.daily import RecordError
from api.season.freeze import Freezes, Hemisphere

FEWEST_YEARS = 10
"""Below it a date that comes one year in ten is drawn from no such year. Source: engineering judgement."""

RULE_DAYS = 14
"""[d] before the average last frost, from when plants are put out. Source: common practice."""

Z_95 = 1.959963984540054
"""Quantile 0.975 of the normal distribution."""
_ROW_DAYS = (0, 7, 14, 21, 28, 35, 42)
_PLAIN_YEAR = 2001


@dataclass(frozen=True, slots=True)
class MonthDay:
    """A day of any year."""

    month: int
    day: int


@dataclass(frozen=True, slots=True)
class Normals:
    """The dates beyond which it freezes in one year of ten, of two, and in nine years of ten.

    Parameters
    ----------
    p10, p50, p90
        None where it freezes in too few years for that.
    years
        How many years they rest on.
    thin
        Whether these are fewer than ten.
    """

    threshold_c: float
    p10: MonthDay | None
    p50: MonthDay | None
    p90: MonthDay | None
    years: int
    thin: bool


@dataclass(frozen=True, slots=True)
class Share:
    """In how many years of how many it froze from a day on, as a chance 0-1 with its 95 % interval."""

    on: MonthDay
    frozen: int
    years: int
    chance: float
    low: float
    high: float


def last_normals(freezes: Freezes) -> Normals:
    """Return the last freeze's dates: in one year of ten it freezes on `p10` or later, so that is the late one.

    Source: NCEI, U.S. Climate Normals readme (PRBLST); the quantile is the sample's own (Hyndman and Fan 1996, type 7).
    """
    return _normals(freezes, _places(freezes, -1.0), late_is_rare=True)


def first_normals(freezes: Freezes) -> Normals:
    """Return the first freeze's dates: in one year of ten it freezes on `p10` or earlier, so that is the early one.

    Source: NCEI, U.S. Climate Normals readme (PRBFST); the quantile as in `last_normals`.
    """
    return _normals(freezes, _places(freezes, 366.0), late_is_rare=False)


def chance_from(freezes: Freezes, on: date) -> Share:
    """Return in what part of the years it froze on that day of the spring or later.

    Source: Wilson 1927 for the interval.

    Raises
    ------
    RecordError
        If no year counts.
    """
    return _share(freezes, _place(on, freezes.hemisphere))


def chances(freezes: Freezes, today: date, days: Sequence[int] = _ROW_DAYS) -> list[tuple[int, Share]]:
    """Return for each number of days from today, within this cold season, how often it froze on that day or later."""
    first = _place(today, freezes.hemisphere)
    rows = ((count, _place(today + timedelta(days=count), freezes.hemisphere)) for count in days)
    return [(count, _share(freezes, place)) for count, place in rows if place >= first]


def average(freezes: Freezes) -> MonthDay | None:
    """Return the mean date of the years that froze, or None if none did."""
    places = [_place(on, freezes.hemisphere) for on in freezes.dates.values() if on is not None]
    return _month_day(sum(places) / len(places), freezes.hemisphere) if places else None


def two_weeks_before(freezes: Freezes) -> Share | None:
    """Return the risk of the rule to put plants out two weeks before the average last frost, or None if it never froze.

    Source: common practice; its risk is what the years on record say.
    """
    mean = average(freezes)
    if mean is None:
        return None
    return _share(freezes, max(0, _place(date(_PLAIN_YEAR, mean.month, mean.day), freezes.hemisphere) - RULE_DAYS))


def _normals(freezes: Freezes, places: list[float], *, late_is_rare: bool) -> Normals:
    wanted = (0.9, 0.5, 0.1) if late_is_rare else (0.1, 0.5, 0.9)
    p10, p50, p90 = (_quantile(places, part, freezes.hemisphere) for part in wanted)
    return Normals(freezes.threshold_c, p10, p50, p90, len(places), len(places) < FEWEST_YEARS)


def _places(freezes: Freezes, never: float) -> list[float]:
    """Return each year's place in the season, in order; a year that never froze has a place outside of it."""
    if not freezes.dates:
        raise RecordError(f"{freezes.place}: no year counts for {freezes.threshold_c:g} Cel; give a longer record")
    return sorted(never if on is None else float(_place(on, freezes.hemisphere)) for on in freezes.dates.values())


def _quantile(places: list[float], part: float, hemisphere: Hemisphere) -> MonthDay | None:
    rank = (len(places) - 1) * part
    below = int(rank)
    above = min(below + 1, len(places) - 1)
    if any(not 0.0 <= places[each] <= 365.0 for each in {below, above if rank > below else below}):
        return None
    return _month_day(places[below] + (places[above] - places[below]) * (rank - below), hemisphere)


def _share(freezes: Freezes, place: int) -> Share:
    places = _places(freezes, -1.0)
    frozen = sum(each >= place for each in places)
    on = _month_day(place, freezes.hemisphere)
    return Share(on, frozen, len(places), frozen / len(places), *wilson(frozen, len(places)))


def wilson(hits: int, tries: int) -> tuple[float, float]:
    """Return the 95 % interval of a share.

    Source: Wilson 1927, Journal of the American Statistical Association 22:209-212. scipy would do it, at the price of
    50 MB of memory for every page.
    """
    share, z2 = hits / tries, Z_95**2
    middle, half = share + z2 / (2 * tries), Z_95 * math.sqrt((share * (1 - share) + z2 / (4 * tries)) / tries)
    low, high = ((middle + sign * half) / (1 + z2 / tries) for sign in (-1.0, 1.0))
    return (0.0 if hits == 0 else low), (1.0 if hits == tries else high)


def _place(on: date, hemisphere: Hemisphere) -> int:
    """Return days from the cold season's beginning, in a year without 29 February; that day counts as 1 March."""
    begin = date(_PLAIN_YEAR, hemisphere.begins, 1)
    month, day = (3, 1) if (on.month, on.day) == (2, 29) else (on.month, on.day)
    return (date(_PLAIN_YEAR + (month < hemisphere.begins), month, day) - begin).days


def _month_day(place: float, hemisphere: Hemisphere) -> MonthDay:
    on = date(_PLAIN_YEAR, hemisphere.begins, 1) + timedelta(days=round(place))
    return MonthDay(on.month, on.day)
