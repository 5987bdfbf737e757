"""The daily record that this site goes by: a station's of many years, extended by our own outside probe."""

from collections.abc import Sequence
from functools import lru_cache
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np

from api.season.daily import COLDEST_C, HOUR_MS, WARMEST_C, Daily, Day, RecordError, extended, station_days
from api.season.ghcn import read_record
from api.season.site_night import Outdoors, outdoors
from api.state import State, opened
from controller.errors import StoreError
from controller.store import reading_back
from controller.store.damage import DamagedError

DAY_MS = 86_400_000


def site_days(state: State) -> Daily | None:
    """Return the record, or None where there is neither a station nor an outside probe on record.

    Raises
    ------
    RecordError
        If the station's file cannot be read, with line, value and remedy.
    """
    station, place = _station(state), outdoors(state.settings)
    try:
        own = None if place is None else own_days(state, place)
    except DamagedError:
        raise
    except StoreError:
        own = None  # no controller has run here yet
    if station is None or own is None:
        return station if own is None else own
    return _joined(station, own)


@lru_cache(maxsize=2)
def _joined(station: Daily, own: Daily) -> Daily:
    return extended(station, own)


def own_days(state: State, place: Outdoors) -> Daily:
    """Return the days of our own outside probe; gathered once a day."""
    now_ms = state.clock.now().utc_ms
    return _own(state.folder, place.air, state.settings.site.name, state.settings.site.time_zone, now_ms // DAY_MS)


def _station(state: State) -> Daily | None:
    file = state.settings.season.station_file
    if file is None:
        return None
    try:
        return _read(file, file.stat().st_mtime_ns)
    except (OSError, UnicodeDecodeError) as error:
        raise RecordError(f"season.station_file: {file} cannot be read ({error}); correct the path") from error


@lru_cache(maxsize=4)
def _read(file: Path, _changed_ns: int) -> Daily:
    with file.open(encoding="utf-8") as lines:
        return read_record(lines, file.name)


@lru_cache(maxsize=4)
def _own(folder: Path, air: tuple[str, str], name: str, time_zone: str, _day: int) -> Daily:
    with opened(folder / "readings.db") as record:
        rows = reading_back.hours(record, *air, 0)
    lowest, highest = (_days_by(rows, column, name, ZoneInfo(time_zone)) for column in (1, 3))
    tops = {on: day.tmax_c for on, day in highest.days.items()}
    return Daily(name, {on: Day(on, day.tmin_c, tops.get(on)) for on, day in lowest.days.items()})


def _days_by(rows: Sequence[tuple[int, float, float, float]], column: int, name: str, zone: ZoneInfo) -> Daily:
    """Return days by one column of hours: the least or the most of each."""
    # The unit is known here: beyond what air ever was, the probe was wrong, and so is nothing else.
    told = [(row[0] + HOUR_MS // 2, row[column]) for row in rows if COLDEST_C <= row[column] <= WARMEST_C]
    at_ms, values_c = np.array([each[0] for each in told], dtype=np.int64), np.array([each[1] for each in told])
    return station_days(name, at_ms, values_c, zone)
