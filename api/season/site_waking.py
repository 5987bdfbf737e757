"""How far awake each place is: cold and warmth counted since their season began, from our own hours."""

import sqlite3
from dataclasses import dataclass, replace
from datetime import date
from functools import lru_cache
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from api.season.heat_units import METHODS as WARMTH
from api.season.heat_units import Bounds
from api.season.hours import Hours, date_at, midnight_ms
from api.season.site_night import outdoors
from api.season.waking import CHILL_FROM, HEAT_FROM, Course, course, season_start
from api.state import State, opened
from controller.probe import Quantity
from controller.settings import Settings
from controller.store import reading_back

HALF_HOUR_MS = 1_800_000


@dataclass(frozen=True, slots=True)
class Place:
    """One probe that plants live by: where, what it measures, its enclosure and name."""

    words: str
    enclosure: str
    probe: str


@dataclass(frozen=True, slots=True)
class Awake:
    """One place: cold and warmth so far; None where nothing was read since that season began."""

    place: Place
    chill: Course | None
    warmth: Course | None


def places(settings: Settings) -> list[Place]:
    """Return outside, then each enclosure's first soil and first air probe."""
    open_air = outdoors(settings)
    found = [] if open_air is None else [Place("outside", *open_air.air)]
    for each in settings.enclosure:
        for quantity in (Quantity.SOIL, Quantity.AIR):
            probes = each.of(quantity)
            if probes:
                found.append(Place(f"{each.name}, {quantity.value}", each.name, probes[0].name))
    return found


def bounds(state: State) -> Bounds:
    """Return base and upper temperature: of settings, and where those say nothing the method's usual ones.

    Raises
    ------
    WakingError
        If the base is not below the upper one.
    """
    asked, usual = state.settings.season, WARMTH[state.settings.season.warmth].usual
    if asked.base is None and asked.upper is None:
        return usual
    base_c = usual.base_c if asked.base is None else asked.base
    return Bounds(base_c, usual.upper_c if asked.upper is None else asked.upper, usual.critical_c)


def awake(state: State) -> list[Awake]:
    """Return every place's sums up to now; gathered anew every half hour."""
    return list(_awake(state.folder, state.settings, bounds(state), state.clock.now().utc_ms // HALF_HOUR_MS))


@lru_cache(maxsize=4)
def _awake(folder: Path, settings: Settings, limits: Bounds, turn: int) -> tuple[Awake, ...]:
    site, asked = settings.site, settings.season
    today = date_at((turn + 1) * HALF_HOUR_MS - 1, site.zone)
    chill_from, heat_from = (season_start(today, each, site.latitude) for each in (CHILL_FROM, HEAT_FROM))
    first_ms = midnight_ms(min(chill_from, heat_from), site.zone)
    found = []
    with opened(folder / "readings.db") as record:
        for place in places(settings):
            hours = hours_here(record, place, first_ms)
            cold = _course(asked.chill, hours, chill_from, today, site.zone, None)
            found.append(Awake(place, cold, _course(asked.warmth, hours, heat_from, today, site.zone, limits)))
    return tuple(found)


def _course(
    name: str, hours: Hours | None, first: date, today: date, zone: ZoneInfo, limits: Bounds | None
) -> Course | None:
    if hours is None or hours.end_ms <= midnight_ms(first, zone):
        return None
    found = course(name, hours, first, today, zone, limits)
    return replace(found, hours_missing=_of_whole_days(found.hours_missing), hours=_of_whole_days(found.hours))


def _of_whole_days(counts: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return hours counted day by day without those of the last, today: what is to come yet is not missing."""
    return np.append(counts[:-1], counts[-2:-1].sum())


def hours_here(record: sqlite3.Connection, place: Place, first_ms: int) -> Hours | None:
    """Return the hours of one place from an instant [ms UTC] on, or None where there are none."""
    rows = reading_back.hours(record, place.enclosure, place.probe, first_ms)
    if not rows:
        return None
    table = np.array(rows)
    at = ((table[:, 0] - table[0, 0]) // 3_600_000).astype(np.int64)
    spread = np.full((3, int(at[-1]) + 1), np.nan)
    spread[:, at] = table[:, [2, 1, 3]].T
    return Hours(rows[0][0], *spread)
