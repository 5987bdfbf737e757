"""What a season of heat takes: from days of a record, each at its mean. Pure."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from api.season.daily import Daily, dates
from api.season.sizing import Demand

LEAST_KNOWN = 0.9
"""Part of its days that a season needs on record to count as whole; those missing count as the mean of the others.
Source: engineering judgement."""


@dataclass(frozen=True, slots=True)
class Season:
    """The days of one season: the year it begins in, how many it has, and the means of those on record [Cel]."""

    year: int
    days: int
    means_c: tuple[float, ...]
    coldest_c: float

    @property
    def whole(self) -> bool:
        """Whether enough days are on record."""
        return len(self.means_c) >= LEAST_KNOWN * self.days


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
    is none. A day's mean is half way between its lowest and highest; a day without either is not known.
    """
    begins, ends = record.span
    found = []
    for year in range(begins.year - 1, ends.year + 1):
        span = dates(_on(year, first), _on(year + (last < first), last))
        known = [day for on in span if (day := record.days.get(on)) is not None]
        means = [(d.tmin_c + d.tmax_c) / 2.0 for d in known if d.tmin_c is not None and d.tmax_c is not None]
        if means:
            coldest_c = min(day.tmin_c for day in known if day.tmin_c is not None)
            found.append(Season(year, len(span), tuple(means), coldest_c))
    return tuple(found)


def counted(found: Iterable[Season]) -> tuple[Season, ...]:
    """Return the whole seasons, or where there is none the last begun: the one to be told with its days."""
    every = tuple(found)
    return tuple(each for each in every if each.whole) or every[-1:]


def steady_season(mean_c: float, first: tuple[int, int], last: tuple[int, int]) -> Season:
    """Return a season of days that are all alike, for a mean [Cel] that somebody gives."""
    span = (_on(2025 + (last < first), last) - _on(2025, first)).days + 1
    return Season(2025, span, (mean_c,) * span, mean_c)


def used(demand: Demand, soil_c: float, season: Season, rated_w: float) -> Used:
    """Return what holding the soil [Cel] takes in a season with a heater that suffices.

    Parameters
    ----------
    rated_w
        [W] of the heater at hand, for the days on which it falls short.

    Notes
    -----
    Soil evens out a day, so a day's heat is that of its mean; a day warm enough takes none, and gives none back.
    """
    watts = [demand.watts(soil_c, mean_c) for mean_c in season.means_c]
    days = season.days if season.whole else len(watts)
    kwh = sum(watts) / len(watts) * days * 24.0 / 1000.0
    return Used(season.year, kwh, sum(each > rated_w for each in watts))


def mean_kwh(demand: Demand, soil_c: float, found: Sequence[Season]) -> float:
    """Return [kWh] of a season on the average of those given."""
    return sum(used(demand, soil_c, each, 0.0).kwh for each in found) / len(found)


def _on(year: int, month_day: tuple[int, int]) -> date:
    month, day = month_day
    return date(year, month, day) if (month, day) != (2, 29) else date(year, 3, 1) - timedelta(days=1)
