"""This season and those before it, from the record: each counted up to the same day."""

import math
from collections.abc import Mapping
from datetime import UTC, date, timedelta
from functools import lru_cache

import numpy as np

from api.season.daily import Daily, RecordError, dates
from api.season.freeze import Hemisphere, first_freezes, hemisphere_of, last_freezes
from api.season.heat_units import Bounds
from api.season.hours import WakingError, date_at, midnight_ms
from api.season.plant_notes import Kind, notes
from api.season.site_days import site_days
from api.season.site_waking import bounds
from api.season.site_worth import CROPS, Season, grown, season_of, years
from api.season.waking import CHILL_FROM, HEAT_FROM, course, hours_of_days, season_start
from api.season.years import Froze, Year, crop_of
from api.state import State
from controller.errors import StoreError
from controller.store import use

MOST_YEARS = 4
"""Seasons beside each other; more do not fit a page."""
CHILL_DAYS = 151
"""[d] of cold that count for a spring: November to March, in the south half a year later (common practice)."""
FREEZING_C = 0.0


def seasons_beside(state: State, season: Season) -> list[Year]:
    """Return a season and those before it of which anything is on record, the newest first."""
    today = date_at(state.clock.now().utc_ms, state.settings.site.zone)
    days = max((min(today, season.last) - season.first).days, 0)
    record, noted = _record(state), set(years(state))
    found = []
    for year in range(season.year, season.year - MOST_YEARS, -1):
        each = season_of(year, state.settings.site.latitude)
        heat = _kwh(state, each, each.last)
        if year == season.year or year in noted or heat > 0.0 or _is_in(record, each):
            found.append(_year(state, each, min(each.first + timedelta(days=days), each.last), record))
    return found


def _year(state: State, season: Season, through: date, record: Daily | None) -> Year:
    last, first = _freezes(record, season, state.settings.site.latitude)
    asked, latitude = state.settings.season, state.settings.site.latitude
    cold_from, warm_from = (season_start(season.first, each, latitude) for each in (CHILL_FROM, HEAT_FROM))
    cold_to = min(through, cold_from + timedelta(days=CHILL_DAYS - 1))
    trees = {crop: grown(state, season, crop).trees for crop in CROPS}
    return Year(
        year=season.year,
        first=season.first,
        through=through,
        last_freeze=last,
        first_freeze=first,
        chill=_sum(record, asked.chill, (cold_from, cold_to), latitude, None),
        warmth=_sum(record, asked.warmth, (warm_from, through), latitude, _bounds(state)),
        stages=_stages(state, season),
        crops={crop: crop_of(each) for crop, each in trees.items()},
        kwh=_kwh(state, season, through),
        kwh_whole=_kwh(state, season, season.last),
        trees=trees,
    )


def _record(state: State) -> Daily | None:
    try:
        record = site_days(state)
    except (RecordError, StoreError):
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
    known = [record.days.get(on) for on in dates(first, last)]
    rows = tuple(None if each is None else (each.tmin_c, each.tmax_c) for each in known)
    return _counted(name, first, rows, latitude, limits)


@lru_cache(maxsize=64)
def _counted(
    name: str,
    first: date,
    rows: tuple[tuple[float | None, float | None] | None, ...],
    latitude: float,
    limits: Bounds | None,
) -> float | None:
    pairs = [(math.nan, math.nan) if row is None else tuple(math.nan if v is None else v for v in row) for row in rows]
    lows, highs = np.array(pairs).T
    last = first + timedelta(days=len(rows) - 1)
    found = course(name, hours_of_days(first, lows, highs, latitude), first, last, UTC, limits)
    return float(found.totals[-1]) if found.is_sound_on(last) else None


def _stages(state: State, season: Season) -> dict[int, date]:
    with state.reading("season.db") as connection:
        kept = notes(connection)
    first: dict[int, date] = {}
    for note in (each.what for listed in kept.values() for each in listed):
        on = date.fromisoformat(note.day)
        if note.kind is Kind.STAGE and note.code is not None and season.first <= on <= season.last:
            first[note.code] = min(first.get(note.code, on), on)
    return first


def _kwh(state: State, season: Season, through: date) -> float:
    zone, now_ms = state.settings.site.zone, state.clock.now().utc_ms
    span = midnight_ms(season.first, zone), midnight_ms(through + timedelta(days=1), zone)
    try:
        with state.reading("readings.db") as record:
            return sum(
                day.energy_kwh
                for each in state.settings.enclosure
                for day in use.summary(record, each.name, *span, "day", zone, now_ms)
            )
    except StoreError:
        return 0.0
