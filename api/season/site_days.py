"""The daily record that this site goes by: a station's of many years, extended by our own outside probe."""

from functools import lru_cache
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np

from api.season.daily import COLDEST_C, WARMEST_C, Daily, RecordError, extended, station_days
from api.season.ghcn import read_record
from api.season.site_night import Outdoors, outdoors
from api.state import State
from controller.store import reading_back
from controller.store.connection import open_reader

DAY_MS = 86_400_000


def site_days(state: State) -> Daily | None:
    """Return the record, or None where there is neither a station nor an outside probe.

    Raises
    ------
    RecordError
        If the station's file cannot be read, with line, value and remedy.
    """
    station, place = _station(state), outdoors(state.settings)
    own = None if place is None else own_days(state, place)
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
    record = open_reader(folder / "readings.db")
    try:
        rows = reading_back.hours(record, *air, 0)
    finally:
        record.close()
    # The unit is known here: beyond what air ever was, the probe was wrong, and so is nothing else.
    rows = [row for row in rows if COLDEST_C <= row[1] <= WARMEST_C]
    middles_ms = np.array([row[0] + 1_800_000 for row in rows], dtype=np.int64)
    return station_days(name, middles_ms, np.array([row[1] for row in rows], dtype=float), ZoneInfo(time_zone))
