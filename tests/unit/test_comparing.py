"""Roll-ups that a card has spoilt are found by the readings they came from, and made anew."""

import sqlite3
import struct
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from controller.clock import ManualClock, Moment
from controller.errors import StoreError
from controller.settings import Store
from controller.store import comparing, rolled, shelves, sums
from controller.store.columns import DamagedBlockError
from controller.store.connection import Lock, open_writer
from controller.store.keeping import Keeping
from controller.store.migrations import READINGS
from controller.store.readings import HOUR_MS, StoredReading
from controller.store.stretch import Stretches
from controller.store.sums import DAY_MS, WIDTHS_MS
from controller.verifying import SAMPLE_DAYS, verify_record

T0 = 1_772_000_000_000 - 1_772_000_000_000 % DAY_MS
DAYS = 4
CLOCK = ManualClock(Moment(0.0, T0 + DAYS * DAY_MS))


def said(at_ms: int, value: float, probe: str = "soil", grade: str = "good") -> StoredReading:
    """Return a reading taken at T0 + `at_ms`."""
    return StoredReading("larch", probe, "soil", "Cel", value, T0 + at_ms, T0 + at_ms + 40, grade)


@pytest.fixture
def record(tmp_path: Path) -> Iterator[sqlite3.Connection]:
    """Yield a record of some days of two probes, one of them off every grid, with late and refused readings."""
    with closing(open_writer(tmp_path / "readings.db", READINGS)) as connection:
        keeping = Keeping(connection)
        times = range(0, DAYS * DAY_MS + 1, 200_000)
        keeping.add([said(at_ms, 15 + (number % 9) / 16) for number, at_ms in enumerate(times)])
        keeping.add([said(at_ms, -1 / (3 + number % 7), "deep") for number, at_ms in enumerate(times)])
        keeping.pack_all()
        keeping.add(
            [said(5 * HOUR_MS + 7, 0.1), said(5 * HOUR_MS + 9, 85.0, grade="refused"), said(DAY_MS + 3, 0.7, "deep")]
        )
        keeping.pack_all()
        yield connection


def days(record: sqlite3.Connection, since_ms: int = T0) -> dict[tuple[str, int], comparing.Compared]:
    """Return by probe and day, counted from T0, what differs."""
    found = ((one, comparing.compare(record, one, since_ms)) for one in comparing.closed_days(record))
    return {
        (one.place[1], (shelves.day_start_ms(one.day) - T0) // DAY_MS): each
        for one, each in found
        if each.tables or each.unread
    }


def all_kept(record: sqlite3.Connection) -> list[tuple[int, bytes]]:
    """Return every roll-up as it lies on disk."""
    return [row for table in WIDTHS_MS for row in record.execute(f"SELECT id, packed FROM {table} ORDER BY id")]


def spoil(record: sqlite3.Connection, table: str, offset: int, data: bytes, day: int = 1) -> None:
    """Overwrite a piece of one day's roll-ups of the first probe."""
    key = shelves.day_id(1, T0 + day * DAY_MS)
    packed = bytearray(record.execute(f"SELECT packed FROM {table} WHERE id = ?", (key,)).fetchone()[0])
    packed[offset : offset + len(data)] = data
    record.execute(f"UPDATE {table} SET packed = ? WHERE id = ?", (bytes(packed), key))


def test_a_sound_record_holds(record: sqlite3.Connection) -> None:
    """Every closed day of both probes, with what came late and what was refused."""
    assert len(comparing.closed_days(record)) == 2 * DAYS
    assert days(record) == {}


SPOILT = {
    "an hour's count": ("hours", 8, b"\x07"),
    "an hour's start": ("hours", 0, b"\x01"),
    "the last bit of a least": ("tens", 12, b"\x01"),
    "a sum": ("tens", 28 + 5, b"\x55"),
    "a minute's least": ("minutes", -30, b"\x01\x02"),
    "minutes that cannot be read": ("minutes", 0, b"\xff"),
    "no whole record": ("hours", 0, b""),
}


@pytest.mark.parametrize("case", SPOILT)
def test_a_spoilt_roll_up_is_named_and_made_anew(record: sqlite3.Connection, case: str) -> None:
    """The day and the table; mended it is what it was, byte for byte."""
    table, offset, data = SPOILT[case]
    before = all_kept(record)
    spoil(record, table, offset, data)
    if not data:
        record.execute(
            f"UPDATE {table} SET packed = substr(packed, 1, 30) WHERE id = ?", (shelves.day_id(1, T0 + DAY_MS),)
        )
    found = days(record)
    assert {place: each.tables for place, each in found.items()} == {("soil", 1): (table,)}
    for one in comparing.closed_days(record):
        comparing.mend(record, one, comparing.compare(record, one, T0))
    assert all_kept(record) == before


@pytest.mark.parametrize("table", WIDTHS_MS)
def test_a_day_that_ends_early_is_damage_to_whoever_reads_it(record: sqlite3.Connection, table: str) -> None:
    """For the writer that adds to it, and for pages and the copy elsewhere: a fault that all of them know."""
    key = shelves.day_id(1, T0 + DAY_MS)
    (packed,) = record.execute(f"SELECT packed FROM {table} WHERE id = ?", (key,)).fetchone()
    read = {"minutes": rolled.minutes, "tens": rolled.tens, "hours": rolled.hours}[table]
    for length in (1, 4, 30, len(packed) // 2 + 1, len(packed) - 1):
        record.execute(f"UPDATE {table} SET packed = ? WHERE id = ?", (packed[:length], key))
        with pytest.raises(DamagedBlockError):
            sums.unpack(table, packed[:length], T0 + DAY_MS)
        with pytest.raises(DamagedBlockError):
            read(Stretches(record), 1, T0, T0 + 2 * DAY_MS)


def test_a_day_that_is_missing_is_made_anew(record: sqlite3.Connection) -> None:
    """Its readings are there."""
    before = all_kept(record)
    record.execute("DELETE FROM hours WHERE id = ?", (shelves.day_id(2, T0 + 2 * DAY_MS),))
    assert {place: each.tables for place, each in days(record).items()} == {("deep", 2): ("hours",)}
    for one in comparing.closed_days(record):
        comparing.mend(record, one, comparing.compare(record, one, T0))
    assert all_kept(record) == before


def test_a_day_of_which_every_roll_up_is_missing_is_made_anew(record: sqlite3.Connection) -> None:
    """A page of the card held them all; that there was such a day its readings tell."""
    before = all_kept(record)
    for table in WIDTHS_MS:
        record.execute(f"DELETE FROM {table} WHERE id = ?", (shelves.day_id(1, T0 + DAY_MS),))
    assert {place: set(each.tables) for place, each in days(record).items()} == {("soil", 1): set(WIDTHS_MS)}
    for one in comparing.closed_days(record):
        comparing.mend(record, one, comparing.compare(record, one, T0))
    assert all_kept(record) == before


def test_an_extreme_that_no_probe_can_have_is_not_believed(record: sqlite3.Connection) -> None:
    """One bit of an exponent, where the readings are gone: the mean lies within it all the same."""
    record.execute("DELETE FROM block WHERE id < ?", (shelves.block_id(T0 + 2 * DAY_MS, 0),))
    spoil(record, "hours", 20, struct.pack("<d", 1e9))
    found = days(record, T0 + 2 * DAY_MS)
    assert {place: each.tables for place, each in found.items()} == {("soil", 1): ("hours",)}


def test_what_has_lost_its_readings_is_believed_if_it_can_be(record: sqlite3.Connection) -> None:
    """After retention, and after some of the readings were imported again; a mean outside its extremes cannot be."""
    record.execute("DELETE FROM block WHERE id < ?", (shelves.block_id(T0 + 2 * DAY_MS, 0),))
    for table in ("minutes", "tens"):
        record.execute(f"DELETE FROM {table} WHERE id = ?", (shelves.day_id(1, T0),))
    since_ms = T0 + 2 * DAY_MS
    assert days(record, since_ms) == {}
    again = Keeping(record)
    again.add([said(DAY_MS + HOUR_MS, 15.0), said(DAY_MS + HOUR_MS + 200_000, 15.0)])
    again.pack_all()
    assert days(record, since_ms) == {}
    spoil(record, "hours", 28, struct.pack("<d", 1e9), day=0)
    found = days(record, since_ms)
    assert {place: each.tables for place, each in found.items()} == {("soil", 0): ("hours",)}
    assert len(found["soil", 0].mended["hours"]) == 23


def test_a_damaged_block_is_named_and_its_day_left_alone(record: sqlite3.Connection) -> None:
    """Nothing is made anew from readings that cannot be read."""
    record.execute("UPDATE block SET packed = ? WHERE id = ?", (b"\x02none", shelves.block_id(T0 + DAY_MS, 1)))
    before = all_kept(record)
    found = days(record)
    assert list(found) == [("soil", 1)]
    assert "damaged" in found["soil", 1].unread
    for one in comparing.closed_days(record):
        comparing.mend(record, one, comparing.compare(record, one, T0))
    assert all_kept(record) == before


def test_the_command_names_each_day_and_mends(
    record: sqlite3.Connection, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Says how many days were compared, which differ and what to do; mending needs the folder for itself."""
    spoil(record, "hours", 8, b"\x07")
    record.close()
    store = Store(folder=tmp_path)
    assert not verify_record(store, CLOCK, whole=False, mend=False)
    told = capsys.readouterr().err
    assert "enclosure 'larch', probe 'soil', 2026-02-26: hours are not what its readings come to" in told
    assert "1 days differ; 8 of 8 days of probes compared; stop Soilward and run `soilward verify --mend`" in told
    held = Lock(tmp_path / "controller.db")
    with pytest.raises(StoreError, match="already writing"):
        verify_record(store, CLOCK, whole=False, mend=True)
    held.release()
    assert verify_record(store, CLOCK, whole=False, mend=True)
    assert "1 of 1 days made anew" in capsys.readouterr().out
    assert verify_record(store, CLOCK, whole=False, mend=False)
    assert "the roll-ups hold: 8 of 8 days of probes compared" in capsys.readouterr().out


def test_a_sample_is_spread_over_all_days(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """At most so many days; without a record there is nothing to compare."""
    assert verify_record(Store(folder=tmp_path), CLOCK, whole=False, mend=False)
    with closing(open_writer(tmp_path / "readings.db", READINGS)) as connection:
        keeping = Keeping(connection)
        keeping.add([said(day * DAY_MS, 15.0) for day in range(2 * SAMPLE_DAYS + 2)])
        keeping.pack_all()
    assert verify_record(Store(folder=tmp_path), CLOCK, whole=False, mend=False)
    assert "334 of 1001 days of probes compared; --whole" in capsys.readouterr().out
    assert verify_record(Store(folder=tmp_path), CLOCK, whole=True, mend=False)
    assert "1001 of 1001 days of probes compared\n" in capsys.readouterr().out


def test_a_reading_of_1970_makes_no_days_of_nothing(record: sqlite3.Connection) -> None:
    """A clock was not set yet: among twenty thousand days without a reading a sample would hold hardly one with any."""
    Keeping(record).add([said(60_000 - T0, 15.0)])
    Keeping(record).pack_all()
    days_compared = [shelves.day_start_ms(one.day) for one in comparing.closed_days(record)]
    assert sorted(set(days_compared)) == [0, *range(T0, T0 + DAYS * DAY_MS, DAY_MS)]
    assert len(days_compared) == 1 + 2 * DAYS
    assert days(record) == {}


def test_a_page_that_sqlite_cannot_read_is_told_as_damage(record: sqlite3.Connection, tmp_path: Path) -> None:
    """With the file's name and what to do."""
    root = record.execute("SELECT rootpage FROM sqlite_schema WHERE name = 'block'").fetchone()[0]
    record.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    record.close()
    with (tmp_path / "readings.db").open("r+b") as raw:
        raw.seek(4096 * (root - 1))
        raw.write(b"\xa5" * 4096)
    with pytest.raises(StoreError, match=r"readings\.db is damaged; put back a backup"):
        verify_record(Store(folder=tmp_path), CLOCK, whole=True, mend=False)
