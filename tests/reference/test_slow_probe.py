"""A year of a real buoy stands in for a slow soil probe: what the record keeps of duplicates and gaps."""

import gzip
from collections import Counter
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, date
from importlib.resources import files
from sqlite3 import Connection

import numpy as np
import pytest

from api.season.daily import station_days
from controller.clock import from_rfc3339
from controller.store import reading_back
from controller.store.connection import open_writer, transaction
from controller.store.keeping import Keeping
from controller.store.migrations import READINGS
from controller.store.readings import StoredReading

HALF_HOUR_MS, HOUR_MS = 1_800_000, 3_600_000


def rows() -> list[tuple[int, float]]:
    """Return the buoy's rows in the order of the file: time [ms UTC] and Cel."""
    packed = files("bokeh_sampledata") / "_data" / "sea_surface_temperature.csv.gz"
    lines = gzip.decompress(packed.read_bytes()).decode().splitlines()[1:]
    return [(from_rfc3339(line.split(",")[0]), float(line.split(",")[1])) for line in lines]


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Connection]:
    """Yield a record that was sent the whole file, 500 rows at a time, and packed."""
    said = [StoredReading("larch", "buoy", "soil", "Cel", value, at_ms, at_ms, "good") for at_ms, value in rows()]
    with closing(open_writer(tmp_path_factory.mktemp("buoy") / "readings.db", READINGS)) as connection:
        with transaction(connection):
            keeping = Keeping(connection)
            new = [keeping.add(said[start : start + 500]) for start in range(0, len(said), 500)]
            keeping.pack_all()
        assert sum(new) == 19_225
        yield connection


def test_the_file_is_what_it_is_said_to_be() -> None:
    """19 226 rows, one stamp twice, a gap of twelve hours and one of an hour, no step beyond 1.59 K.

    Source: bokeh-sampledata 2026.1 (BSD-3-Clause), sea surface temperature at NERACOOS buoy B01 (free use).
    """
    said = rows()
    times_ms = np.array(sorted({at_ms for at_ms, _ in said}))
    gaps = Counter(int(gap_ms) for gap_ms in np.diff(times_ms))
    assert (len(said), len(said) - len(times_ms)) == (19_226, 1)
    assert {gap: count for gap, count in gaps.items() if gap > HALF_HOUR_MS} == {24 * HALF_HOUR_MS: 1, HOUR_MS: 1}
    assert np.abs(np.diff([value for _, value in said])).max() == pytest.approx(1.59, abs=0.005)


def test_each_half_hour_is_kept_once_and_the_first_word_stands(record: Connection) -> None:
    """19 225 half hours come back as they were told; of the stamp that is there twice, what came first.

    Source: bokeh-sampledata 2026.1 (BSD-3-Clause), sea surface temperature at NERACOOS buoy B01 (free use).
    """
    first: dict[int, float] = {}
    for at_ms, value in rows():
        first.setdefault(at_ms, value)
    kept = reading_back.means(record, "larch", "buoy", min(first), max(first) + HALF_HOUR_MS, HALF_HOUR_MS)
    assert {middle_ms - HALF_HOUR_MS // 2: value for middle_ms, value in kept} == pytest.approx(first)


def test_a_gap_is_a_gap(record: Connection) -> None:
    """Twelve hours without a word: eleven whole hours have nothing, and that day has neither lowest nor highest.

    Source: bokeh-sampledata 2026.1 (BSD-3-Clause), sea surface temperature at NERACOOS buoy B01 (free use).
    """
    hours = reading_back.hours(record, "larch", "buoy", 0)
    starts_ms = np.array([row[0] for row in hours])
    missing = np.diff(starts_ms) // HOUR_MS - 1
    assert sorted(missing[missing > 0].tolist()) == [11]
    days = station_days("buoy", starts_ms + HALF_HOUR_MS, np.array([row[1] for row in hours]), UTC)
    assert days.missing(date(2016, 2, 16), date(2017, 3, 21)) == [date(2016, 7, 8)]
