"""A record in its first form, a row for each reading, is brought into blocks: nothing is lost, nothing changes."""

import random
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from controller.clock import Clock
from controller.errors import StoreError
from controller.exporting.rows import Wanted, What, pages
from controller.settings import Store
from controller.store import comparing, packing, reading_back
from controller.store.connection import open_reader, open_writer
from controller.store.keeping import Keeping
from controller.store.migrations import READINGS
from controller.store.readings import HOUR_MS, StoredReading
from controller.store.sums import DAY_MS
from controller.verifying import verify_record
from tests import kept
from tests.unit.test_record_any_order import by_hand

T0 = 1_772_000_000_000 - 1_772_000_000_000 % DAY_MS
LEFT_MS = T0 + 5 * HOUR_MS
FIRST = READINGS[:4]


def fill(file: Path) -> list[tuple[int, int, int, float, str]]:
    """Write three and a half days of two probes as the first form kept them, the oldest without their readings, the
    first day without its minutes too, and a probe of which nothing is left."""
    draw, rows = random.Random(3), []
    for probe in (1, 2):
        for number in range(84 * 6):
            at_ms = T0 - DAY_MS + 250_000 + 600_000 * number + draw.randrange(1000)
            grade = "refused" if number % 50 == 7 else "good"
            rows.append((probe, at_ms, at_ms + draw.randrange(900), round(draw.uniform(-5, 20) * 16) / 16, grade))
    with closing(open_writer(file, FIRST)) as old:
        for number, name in ((1, "soil"), (2, "deep"), (3, "gone")):
            old.execute("INSERT INTO probe VALUES (?, 'larch', ?, 'soil', 'Cel')", (number, name))
        old.executemany("INSERT INTO reading VALUES (?, ?, ?, ?, ?)", rows)
        for table, width_ms in (("minute", 60_000), ("hour", 3_600_000)):
            old.execute(
                f"""INSERT INTO {table} SELECT probe_id, taken_ms / {width_ms} * {width_ms} AS start, count(*),
                min(value), max(value), sum(value) FROM reading WHERE grade <> 'refused' GROUP BY probe_id, start"""
            )
        old.execute("INSERT INTO late (probe_id, taken_ms) VALUES (1, ?)", (rows[0][1],))
        old.execute("DELETE FROM reading WHERE taken_ms < ?", (LEFT_MS,))
        old.execute("DELETE FROM minute WHERE start_ms < ?", (T0,))
    return [row for row in rows if row[1] >= LEFT_MS]


def hours(file: Path, name: str) -> list[tuple[int, float, float, float]]:
    """Return a probe's hours."""
    with closing(open_reader(file)) as record:
        return reading_back.hours(record, "larch", name, 0)


def test_every_reading_and_every_hour_is_there_afterwards(tmp_path: Path) -> None:
    """To the last bit; hours whose readings were gone already as well."""
    file = tmp_path / "readings.db"
    rows = fill(file)
    with closing(open_reader(file)) as old:
        query = "SELECT start_ms, least, total / count, most FROM hour WHERE probe_id = ? ORDER BY start_ms"
        before = {name: old.execute(query, (number,)).fetchall() for number, name in ((1, "soil"), (2, "deep"))}
    open_writer(file, READINGS).close()
    with closing(open_reader(file)) as new:
        assert kept.rows(new) == rows
        assert new.execute("SELECT probe_id FROM late").fetchall() == [(1,)]
        heard_ms = [max((row[2] for row in rows if row[0] == number), default=0) for number in (1, 2, 3)]
        assert [each for (each,) in new.execute("SELECT heard_ms FROM probe ORDER BY id")] == heard_ms
        left = {row[0] for row in new.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")}
    assert not left & {"reading", "minute", "hour"}
    for name in ("soil", "deep"):
        assert [row[0] for row in hours(file, name)] == [row[0] for row in before[name]]
        for now, then in zip(hours(file, name), before[name], strict=True):
            assert now == pytest.approx(then, abs=1e-12)


def test_an_upgrade_that_was_cut_short_is_no_empty_record(tmp_path: Path) -> None:
    """Killed between two steps of it: an export said that there were no readings, and that all was well."""
    file = tmp_path / "readings.db"
    rows = fill(file)
    open_writer(file, READINGS[:5]).close()
    everything = Wanted(What.READINGS, 0, 2**50)
    with pytest.raises(StoreError, match=r"readings\.db: its upgrade has not ended; start Soilward"):
        pages(tmp_path, everything)
    with pytest.raises(StoreError, match="its upgrade has not ended"):
        verify_record(Store(folder=tmp_path), Clock(), whole=False, mend=False)
    open_writer(file, READINGS).close()
    assert sum(map(len, pages(tmp_path, everything))) == len(rows)


@pytest.mark.parametrize("points", [1500, 200, 30])
def test_a_chart_of_what_was_rolled_up_is_what_its_readings_give(tmp_path: Path, points: int) -> None:
    """By minutes, tens and hours, where a day is over and where it is not."""
    rows = fill(tmp_path / "readings.db")
    start_ms, end_ms = LEFT_MS, T0 + 5 * DAY_MS // 2
    open_writer(tmp_path / "readings.db", READINGS).close()
    with closing(open_reader(tmp_path / "readings.db")) as record:
        for number, name in ((1, "soil"), (2, "deep")):
            (found,) = reading_back.series(record, "larch", [name], start_ms, end_ms, points)
            plain = {row[1]: (row[3], row[4]) for row in rows if row[0] == number}
            said = by_hand(plain, start_ms, end_ms, points)
            assert [(*row[:2], *row[3:]) for row in found.rows] == [(*row[:2], *row[3:]) for row in said]
        compared = [comparing.compare(record, one, LEFT_MS) for one in comparing.closed_days(record)]
        assert [each.tables for each in compared] == [()] * 6


def test_it_goes_on_where_it_was(tmp_path: Path) -> None:
    """What was told before is known, what is new is kept, and its probe has its old number."""
    file = tmp_path / "readings.db"
    rows = fill(file)
    with closing(open_writer(file, READINGS)) as connection:
        keeping = Keeping(connection)
        again, at_ms = rows[-1], rows[-1][1] + 10_000
        said = [(again[1], again[3]), (at_ms, 4.0)]
        assert keeping.add([StoredReading("larch", "deep", "soil", "Cel", v, at, at, "good") for at, v in said]) == 1
        assert kept.rows(connection)[-1] == (2, at_ms, at_ms, 4.0, "good")
        assert connection.execute("SELECT count(*) FROM late").fetchone() == (1,)


def test_a_record_that_cannot_be_brought_over_stays_as_it_was(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """One transaction: a full disk in the middle leaves the old form whole."""
    file = tmp_path / "readings.db"
    fill(file)

    def full(*_: object) -> None:
        raise sqlite3.OperationalError("database or disk is full")

    with monkeypatch.context() as broken:
        broken.setattr(packing, "write_days", full)
        with pytest.raises(StoreError, match="migration 6 failed"):
            open_writer(file, READINGS)
    open_writer(file, READINGS[:5]).close()
    with closing(open_reader(file)) as old:
        assert old.execute("SELECT count(*) FROM reading").fetchone()[0] > 600
