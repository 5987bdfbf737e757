"""Last spring and first autumn freezes of a record, year by year, and why a year does not count.

Notes
-----
A cold season runs from 1 August to 31 July, in the south from 1 February to 31 January: the last freeze of a spring may
lie before New Year, and the first of an autumn comes after the season's first day. A year that never froze counts.
"""

from dataclasses import dataclass
from datetime import date, timedelta
from enum import Enum
from functools import lru_cache

from api.season.daily import Daily

MOST_MISSING = 0.05
"""Share of nights that may be missing where a freeze may have been. Source: engineering judgement."""


class Hemisphere(Enum):
    """Which half of the earth: the month in which its cold season begins, and that by which its spring is over."""

    NORTH = (8, 6)
    SOUTH = (2, 12)

    @property
    def begins(self) -> int:
        """The month whose first day begins a cold season."""
        return self.value[0]

    @property
    def spring_over(self) -> int:
        """The month before whose first day no night after the last freeze may be missing."""
        return self.value[1]


@dataclass(frozen=True, slots=True)
class Freezes:
    """When it froze, by the calendar year of that spring or autumn.

    Parameters
    ----------
    threshold_c
        [Cel] a night at or below it froze.
    dates
        The date of each year that counts; None where it never froze.
    dropped
        Why each other year does not count.
    """

    place: str
    threshold_c: float
    hemisphere: Hemisphere
    dates: dict[int, date | None]
    dropped: dict[int, str]


def hemisphere_of(latitude: float) -> Hemisphere:
    """Return the half of the earth of a latitude [deg north]."""
    return Hemisphere.SOUTH if latitude < 0.0 else Hemisphere.NORTH


@lru_cache(maxsize=32)
def last_freezes(record: Daily, threshold_c: float, hemisphere: Hemisphere = Hemisphere.NORTH) -> Freezes:
    """Return the last freeze of every spring of a record.

    Notes
    -----
    A year is dropped if any night between the last freeze found and the end of spring (1 June; in the south
    1 December) is missing, or more than 5 % of the nights from it to the season's end: it may have frozen later.
    """
    found = Freezes(record.place, threshold_c, hemisphere, {}, {})
    for begin in _seasons(record, hemisphere):
        end = _months_on(begin, 12) - timedelta(days=1)
        spring = _spring_over(begin, hemisphere)
        frozen = _frozen(record, begin, end, threshold_c)
        reason = _missed(record, frozen[-1] if frozen else begin, end, spring if frozen else begin, "after")
        _put(found, spring.year, frozen[-1] if frozen else None, reason)
    return found


@lru_cache(maxsize=16)
def first_freezes(record: Daily, threshold_c: float, hemisphere: Hemisphere = Hemisphere.NORTH) -> Freezes:
    """Return the first freeze of every autumn of a record.

    Notes
    -----
    A year is dropped if any night between the second month of the season and the first freeze found is missing, or more
    than 5 % of the nights from the season's beginning to it.
    """
    found = Freezes(record.place, threshold_c, hemisphere, {}, {})
    for begin in _seasons(record, hemisphere):
        end = _months_on(begin, 12) - timedelta(days=1)
        frozen = _frozen(record, begin, end, threshold_c)
        last = frozen[0] if frozen else end
        missing = record.missing(_months_on(begin, 1), last) if frozen else []
        reason = _words(missing, "before") if missing else _too_many(record, begin, last)
        _put(found, begin.year, frozen[0] if frozen else None, reason)
    return found


def _missed(record: Daily, begin: date, end: date, spring: date, word: str) -> str | None:
    missing = [on for on in record.missing(begin, end) if on < spring]
    return _words(missing, word) if missing else _too_many(record, begin, end)


def _words(missing: list[date], word: str) -> str:
    more = f" and {len(missing) - 1} more" if len(missing) > 1 else ""
    return f"the night of {missing[0]}{more} {word} the freeze found is missing: it may have frozen then"


def _too_many(record: Daily, begin: date, end: date) -> str | None:
    missing, nights = len(record.missing(begin, end)), (end - begin).days + 1
    if missing <= MOST_MISSING * nights:
        return None
    return f"{missing} of {nights} nights from {begin} to {end} are missing, at most 5 % may be"


def _put(found: Freezes, year: int, on: date | None, reason: str | None) -> None:
    if reason is None:
        found.dates[year] = on
    else:
        found.dropped[year] = reason


def _frozen(record: Daily, begin: date, end: date, threshold_c: float) -> list[date]:
    nights = (begin + timedelta(days=count) for count in range((end - begin).days + 1))
    return [on for on in nights if (lowest_c := record.tmin_c(on)) is not None and lowest_c <= threshold_c]


def _seasons(record: Daily, hemisphere: Hemisphere) -> list[date]:
    """Return the first day of every cold season that a record touches."""
    first, last = record.span
    begins = [date(year, hemisphere.begins, 1) for year in range(first.year - 1, last.year + 1)]
    return [begin for begin in begins if begin <= last and _months_on(begin, 12) > first]


def _spring_over(begin: date, hemisphere: Hemisphere) -> date:
    year = begin.year + (hemisphere.spring_over < hemisphere.begins)
    return date(year, hemisphere.spring_over, 1)


def _months_on(begin: date, months: int) -> date:
    """Return the first day of a month so many months after the first of another."""
    count = begin.year * 12 + begin.month - 1 + months
    return date(count // 12, count % 12 + 1, 1)
