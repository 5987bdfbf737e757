"""When stages are to be expected this year: by this site's own earlier years, and where there are none, not at all."""

from collections import defaultdict
from dataclasses import dataclass
from datetime import date, timedelta
from functools import lru_cache
from pathlib import Path

from api.season.bbch import Scale, stage_words
from api.season.heat_units import Bounds
from api.season.hours import Hours, date_at, midnight_ms
from api.season.plant_notes import Kind
from api.season.site_waking import bounds, hours_here, places
from api.season.site_worth import noted, season_at
from api.season.waking import HEAT_FROM, Course, Expected, NotExpected, Seen, course, expected, season_start
from api.state import State, opened
from controller.settings import Settings

HALF_HOUR_MS = 1_800_000
YEARS_BACK = 6
"""Earlier years looked at: one more than tell how fast a sum grows."""


@dataclass(frozen=True, slots=True)
class Ahead:
    """One stage in one place: what was seen there in earlier years tells of this one."""

    place: str
    code: int
    words: str
    found: Expected


def stages_ahead(state: State) -> list[Ahead]:
    """Return the stages that earlier years let expect, and that are not there yet this year, by date."""
    site, now_ms = state.settings.site, state.clock.now().utc_ms
    today = date_at(now_ms, site.zone)
    start = season_start(today, HEAT_FROM, site.latitude)
    seen = _seen(state)
    if not any(on < start for days in seen.values() for on in days):
        return []
    courses = _courses(state.folder, state.settings, bounds(state), now_ms // HALF_HOUR_MS)
    found = []
    for (place, code), days in seen.items():
        by_year = courses.get(place, {})
        this = by_year.get(start)
        if this is None or any(on >= start for on in days):
            continue
        earlier = [Seen(on, by_year[year]) for on in days if (year := _start(on, site.latitude)) in by_year]
        # A year of which half was read would halve the pace.
        recent = [each for year, each in sorted(by_year.items()) if year < start and _is_whole(each)]
        told = expected(earlier, this, recent)
        if not isinstance(told, NotExpected):
            found.append(Ahead(place, code, stage_words(code, Scale.FIG), told))
    return sorted(found, key=lambda each: (each.found.on or date.max, each.place))


def _is_whole(counted: Course) -> bool:
    return counted.is_sound_on(counted.start + timedelta(days=len(counted.totals) - 1))


def _start(on: date, latitude: float) -> date:
    return season_start(on, HEAT_FROM, latitude)


def _seen(state: State) -> dict[tuple[str, int], list[date]]:
    """Return by place and code the day of each year on which the first plant there was seen at it."""
    first: dict[tuple[str, int, date], date] = {}
    known, latitude = noted(state), state.settings.site.latitude
    for kept in known.plants:
        for note in known.notes.get(kept.number, ()):
            if note.what.kind is Kind.STAGE and note.what.code is not None and kept.what.scale is Scale.FIG:
                on = date.fromisoformat(note.what.day)
                stood_in = known.stood(kept, season_at(on, latitude)).enclosure
                place = "outside" if stood_in is None else f"{stood_in}, soil"
                key = (place, note.what.code, _start(on, latitude))
                first[key] = min(first.get(key, on), on)
    found: dict[tuple[str, int], list[date]] = defaultdict(list)
    for (place, code, _), on in first.items():
        found[place, code].append(on)
    return found


@lru_cache(maxsize=2)
def _courses(folder: Path, settings: Settings, limits: Bounds, turn: int) -> dict[str, dict[date, Course]]:
    """Return by place the count of warmth of this season and those before, by the day each began."""
    site = settings.site
    today = date_at((turn + 1) * HALF_HOUR_MS - 1, site.zone)
    this = season_start(today, HEAT_FROM, site.latitude)
    starts = [this.replace(year=this.year - back) for back in range(YEARS_BACK + 1)]
    found: dict[str, dict[date, Course]] = {}
    with opened(folder / "readings.db") as record:
        for place in places(settings):
            hours = hours_here(record, place, midnight_ms(starts[-1], site.zone))
            if hours is None:
                continue
            found[place.words] = {
                start: course(settings.season.warmth, hours, start, _end(start, today), site.zone, limits)
                for start in starts
                if _overlaps(hours, start, today, settings)
            }
    return found


def _end(start: date, today: date) -> date:
    """Return a season's last whole day so far."""
    return min(today, start.replace(year=start.year + 1)) - timedelta(days=1)


def _overlaps(hours: Hours, start: date, today: date, settings: Settings) -> bool:
    zone = settings.site.zone
    end = _end(start, today)
    return start <= end and hours.first_ms < midnight_ms(end, zone) and hours.end_ms > midnight_ms(start, zone)
