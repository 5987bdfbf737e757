"""This season and those before it, from the record: each counted up to the same day."""

import math
from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, date, timedelta
from functools import lru_cache
from pathlib import Path

import numpy as np

from api.season.daily import Daily, Day, RecordError, dates
from api.season.freeze import Hemisphere, first_freezes, hemisphere_of, last_freezes
from api.season.heat_units import Bounds
from api.season.hours import WakingError, date_at, midnight_ms
from api.season.plant_notes import Kind
from api.season.site_days import site_days
from api.season.site_waking import bounds
from api.season.site_worth import CROPS, Noted, Season, noted, season_of, trees_in, years_in
from api.season.waking import CHILL_FROM, HEAT_FROM, course, hours_of_days, season_start
from api.season.worth import Tree
from api.season.years import Froze, Year, crop_of
from api.state import State, opened
from controller.errors import StoreError
from controller.settings import Settings
from controller.store import use
from controller.store.damage import DamagedError

MOST_YEARS = 4
"""Seasons beside each other; more do not fit a page."""
CHILL_DAYS = 151
"""[d] of cold that count for a spring: November to March, in the south half a year later (common practice)."""
FREEZING_C = 0.0
HALF_HOUR_MS = 1_800_000


def seasons_beside(state: State, season: Season) -> list[Year]:
    """Return a season and those before it of which anything is on record, the newest first."""
    site = state.settings.site
    today = date_at(state.clock.now().utc_ms, site.zone)
    days = max((min(today, season.last) - season.first).days, 0)
    record, known = _record(state), noted(state)
    seen = set(years_in(known, site.latitude))
    found = []
    for year in range(season.year, season.year - MOST_YEARS, -1):
        each = season_of(year, site.latitude)
        through = min(each.first + timedelta(days=days), each.last)
        heat = _heat(state, each, through)
        if year == season.year or year in seen or heat[1] > 0.0 or _is_in(record, each):
            found.append(_year(state, each, through, record, heat, known))
    return found


def _year(
    state: State, season: Season, through: date, record: Daily | None, heat: tuple[float, float], known: Noted
) -> Year:
    last, first = _freezes(record, season, state.settings.site.latitude)
    asked, latitude = state.settings.season, state.settings.site.latitude
    cold_from, warm_from = (season_start(season.first, each, latitude) for each in (CHILL_FROM, HEAT_FROM))
    cold_to = min(through, cold_from + timedelta(days=CHILL_DAYS - 1))
    trees = {crop: _trees(known, season, crop, through) for crop in CROPS}
    return Year(
        year=season.year,
        first=season.first,
        through=through,
        last_freeze=last,
        first_freeze=first,
        chill=_sum(record, asked.chill, (cold_from, cold_to), latitude, None),
        warmth=_sum(record, asked.warmth, (warm_from, through), latitude, _bounds(state)),
        stages=_stages(known, season),
        crops={crop: crop_of(each) for crop, each in trees.items()},
        kwh=heat[0],
        kwh_whole=heat[1],
        trees=trees,
    )


def _trees(known: Noted, season: Season, crop: str, through: date) -> list[Tree]:
    """Return a season's trees, weighed up to a day: what is still to be picked this year was picked in another."""
    by_then = {each.name: each.grams for each in trees_in(known, season, crop, through)}
    whole = trees_in(known, season, crop)
    return [each if each.grams is None else replace(each, grams=by_then.get(each.name) or 0.0) for each in whole]


def _record(state: State) -> Daily | None:
    try:
        record = site_days(state)
    except RecordError:
        return None
    return record if record is not None and record.days else None


def _is_in(record: Daily | None, season: Season) -> bool:
    return record is not None and record.span[0] <= season.last and record.span[1] >= season.first


def _bounds(state: State) -> Bounds | None:
    try:
        return bounds(state)
    except WakingError:
        return None


def _freezes(record: Daily | None, season: Season, latitude: float) -> tuple[Froze, Froze]:
    """Return the last freeze of a season's spring and the first of its autumn."""
    if record is None:
        return Froze(False), Froze(False)
    hemisphere = hemisphere_of(latitude)
    autumn = season.year + (hemisphere is Hemisphere.SOUTH)
    last = last_freezes(record, FREEZING_C, hemisphere).dates
    first = first_freezes(record, FREEZING_C, hemisphere).dates
    return _froze(last, season.year), _froze(first, autumn)


def _froze(found: Mapping[int, date | None], year: int) -> Froze:
    return Froze(True, found[year]) if year in found else Froze(False)


def _sum(
    record: Daily | None, name: str, span: tuple[date, date], latitude: float, limits: Bounds | None
) -> float | None:
    """Return a count over some days of the record, or None where more than a twentieth of them is missing."""
    first, last = span
    if record is None or last < first:
        return None
    return _counted(name, first, tuple(_swing(record.days.get(on)) for on in dates(first, last)), latitude, limits)


def _swing(day: Day | None) -> tuple[float, float]:
    """Return a day's lowest and highest [Cel], not a number where missing; of a day upside down nothing is known."""
    low, high = (math.nan, math.nan) if day is None else (_or_nan(day.tmin_c), _or_nan(day.tmax_c))
    return (math.nan, math.nan) if low > high else (low, high)


def _or_nan(value_c: float | None) -> float:
    return math.nan if value_c is None else value_c


@lru_cache(maxsize=64)
def _counted(
    name: str,
    first: date,
    rows: tuple[tuple[float, float], ...],
    latitude: float,
    limits: Bounds | None,
) -> float | None:
    lows, highs = np.array(rows).T
    last = first + timedelta(days=len(rows) - 1)
    try:
        found = course(name, hours_of_days(first, lows, highs, latitude), first, last, UTC, limits)
    except WakingError:
        # Where the sun does not rise and set each day, no hours can be made of days.
        return None
    return float(found.totals[-1]) if found.is_sound_on(last) else None


def _stages(known: Noted, season: Season) -> dict[int, date]:
    first: dict[int, date] = {}
    for note in (each.what for listed in known.notes.values() for each in listed):
        on = date.fromisoformat(note.day)
        if note.kind is Kind.STAGE and note.code is not None and season.first <= on <= season.last:
            first[note.code] = min(first.get(note.code, on), on)
    return first


def _heat(state: State, season: Season, through: date) -> tuple[float, float]:
    """Return [kWh] of a season up to a day, and of all of it."""
    days = _days_of_heat(state.folder, state.settings, season, state.clock.now().utc_ms // HALF_HOUR_MS)
    until_ms = midnight_ms(through + timedelta(days=1), state.settings.site.zone)
    return sum(kwh for at_ms, kwh in days if at_ms < until_ms), sum(kwh for _, kwh in days)


@lru_cache(maxsize=16)
def _days_of_heat(folder: Path, settings: Settings, season: Season, turn: int) -> tuple[tuple[int, float], ...]:
    """Return each day's beginning [ms UTC] and heat [kWh], of all enclosures; gathered anew every half hour."""
    zone, now_ms = settings.site.zone, (turn + 1) * HALF_HOUR_MS - 1
    span = midnight_ms(season.first, zone), midnight_ms(season.last + timedelta(days=1), zone)
    try:
        with opened(folder / "readings.db") as record:
            return tuple(
                (day.start_ms, day.energy_kwh)
                for each in settings.enclosure
                for day in use.summary(record, each.name, *span, "day", zone, now_ms)
                if day.energy_kwh > 0.0
            )
    except DamagedError:
        raise  # "no heat" would be a guess
    except StoreError:
        return ()
