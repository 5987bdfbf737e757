"""A damaged record is set aside and named; a full disk still takes the journal."""

import logging
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from functools import partial
from pathlib import Path

import pytest

from controller.clock import ManualClock, Moment
from controller.store import journal, rolled
from controller.store.connection import open_reader, open_writer
from controller.store.damage import sound_or_aside
from controller.store.journal import JSON, Entry
from controller.store.migrations import READINGS
from controller.store.readings import HOUR_MS, StoredReading
from controller.store.reserve import BYTES, FILE, Reserve
from controller.store.stretch import Stretches
from controller.store.writer import Writer
from tests.kept import rows_in

T0 = 1_772_000_000_000


@pytest.fixture
def clock() -> ManualClock:
    """Return a clock that stands at T0."""
    return ManualClock(Moment(1000.0, T0))


@pytest.fixture
def writer(tmp_path: Path, clock: ManualClock) -> Iterator[Writer]:
    """Yield a writer without its thread."""
    one = Writer(tmp_path, clock)
    yield one
    one.close()


def reading(number: int) -> StoredReading:
    """Return one of a row of readings."""
    return StoredReading("larch", "soil", "soil", "Cel", 15.0, T0 + 10_000 * number, T0, "good")


def keep(writer: Writer, clock: ManualClock, numbers: range) -> list[int]:
    """Put readings, let the writer take its turns, and return those that were acknowledged."""
    told: list[int] = []
    for number in numbers:
        assert writer.put_reading(reading(number), partial(told.append, number))
    for _ in range(3):
        clock.sleep(3.0)
        writer.turn()
    return told


def kept(folder: Path) -> set[int]:
    """Return which readings are on record."""
    return {(row[1] - T0) // 10_000 for row in rows_in(folder)}


def spoil(file: Path, first: int, count: int) -> None:
    """Overwrite pages as a failing card does."""
    with file.open("r+b") as raw:
        raw.seek(4096 * first)
        raw.write(b"\xa5" * 4096 * count)


def test_a_record_that_breaks_while_it_is_written_is_set_aside_and_the_service_goes_on(
    tmp_path: Path, clock: ManualClock
) -> None:
    """Everything acknowledged after it is in the new record; the old one is there under its new name; the journal says
    so."""
    writer = Writer(tmp_path, clock)
    assert keep(writer, clock, range(2000)) == list(range(2000))
    writer.close()
    # Only the root of the tail is spoilt, so that it opens well and breaks at the first insert.
    with closing(sqlite3.connect(tmp_path / "readings.db")) as raw:
        root = raw.execute("SELECT rootpage FROM sqlite_schema WHERE name = 'tail'").fetchone()[0]
    spoil(tmp_path / "readings.db", root - 1, 1)
    again = Writer(tmp_path, clock)
    assert keep(again, clock, range(2000, 2100)) == list(range(2000, 2100))
    again.close()
    (aside,) = tmp_path.glob("readings.db.damaged-*[0-9]")
    assert kept(tmp_path) >= set(range(2000, 2100))
    assert told_of(tmp_path) == [aside.name]


def told_of(folder: Path) -> list[JSON]:
    """Return which files the journal says were set aside."""
    with closing(open_reader(folder / "journal.db")) as connection:
        entries = journal.read(connection)
    return [each.body["file"] for each in entries if each.body.get("alert") == "record-damaged"]


@pytest.mark.parametrize("met", ["while it is written", "while it is tidied"])
@pytest.mark.parametrize("refused", ["readings.db.damaged", "readings.db.lock"])
def test_a_damaged_record_that_cannot_be_replaced_at_once_is_replaced_later(
    tmp_path: Path, clock: ManualClock, met: str, refused: str
) -> None:
    """Moved away or opened anew: what fails of it counts as a failing disk and is tried again each second.

    Nothing is acknowledged meanwhile and nothing is lost; the journal tells of it, once, as soon as it is set aside.
    """
    writer = Writer(tmp_path, clock)
    keep(writer, clock, range(50))
    writer.close()
    writer = Writer(tmp_path, clock)
    with closing(sqlite3.connect(tmp_path / "readings.db")) as raw, raw:
        raw.execute("UPDATE tail SET packed = substr(packed, 1, 5)")
    # No file goes where a folder is, nor is one opened there.
    ends_ms = clock.now().utc_ms + (3000 if met == "while it is written" else 0)
    hindrance = tmp_path / (refused if refused.endswith("lock") else f"{refused}-{ends_ms}")
    hindrance.unlink(missing_ok=True)
    (hindrance / "full").mkdir(parents=True)
    told: list[int] = []
    if met == "while it is tidied":
        writer.turn()
        assert not writer.healthy
    for number in range(50, 60):
        assert writer.put_reading(reading(number), partial(told.append, number))
    for _ in range(3):
        clock.sleep(3.0)
        writer.turn()
    assert (told, writer.healthy, writer.queue_depth) == ([], False, 10)
    assert told_of(tmp_path) == ([f"readings.db.damaged-{ends_ms}"] if refused.endswith("lock") else [])
    (hindrance / "full").rmdir()
    hindrance.rmdir()
    for _ in range(2):
        clock.sleep(1.0)
        writer.turn()
    assert (told, writer.healthy, kept(tmp_path)) == (list(range(50, 60)), True, set(range(50, 60)))
    writer.close()
    (aside,) = tmp_path.glob("readings.db.damaged-*[0-9]")
    assert told_of(tmp_path) == [aside.name]
    with closing(open_reader(aside)) as connection:
        assert connection.execute("SELECT total(count) FROM tail").fetchone() == (50,)


def test_a_roll_up_cut_short_is_made_anew_and_costs_no_record(tmp_path: Path, clock: ManualClock) -> None:
    """A late reading of a day whose hours lack their last byte: all is kept where it was, and the service goes on."""
    writer = Writer(tmp_path, clock)
    keep(writer, clock, range(50))
    clock.sleep(3 * 86_400.0)
    writer.put_reading(reading(3 * 8640))
    for _ in range(20):
        clock.sleep(3.0)
        writer.turn()
    with closing(sqlite3.connect(tmp_path / "readings.db")) as raw, raw:
        cut = raw.execute("UPDATE hours SET packed = substr(packed, 1, length(packed) - 1)").rowcount
    assert cut == 1
    writer.put_reading(reading(0)._replace(taken_ms=T0 + 5))
    clock.sleep(7200.0)
    for _ in range(20):
        clock.sleep(3.0)
        writer.turn()
    assert list(tmp_path.glob("readings.db.damaged-*")) == []
    assert keep(writer, clock, range(60, 70)) == list(range(60, 70))
    writer.close()
    assert kept(tmp_path) == {*range(50), *range(60, 70), 3 * 8640}
    with closing(open_reader(tmp_path / "readings.db")) as record:
        (hour, *_) = rolled.hours(Stretches(record), 1, T0 - HOUR_MS, T0 + HOUR_MS).rows()
    assert hour[1] == 61


@pytest.mark.parametrize("content", [b"", b"no database at all" * 400])
def test_what_is_no_database_at_the_start_is_set_aside(tmp_path: Path, clock: ManualClock, content: bytes) -> None:
    """An empty file is a new record; anything else keeps its content under its new name."""
    (tmp_path / "readings.db").write_bytes(content)
    aside = sound_or_aside(tmp_path, T0)
    if not content:
        assert aside is None or aside.read_bytes() == b""
    else:
        assert aside is not None
        assert aside.read_bytes() == content
    writer = Writer(tmp_path, clock)
    assert keep(writer, clock, range(3)) == [0, 1, 2]
    writer.close()


def test_what_was_not_folded_in_yet_goes_with_a_damaged_record(tmp_path: Path, clock: ManualClock) -> None:
    """As a controller that was killed leaves it: the newest that it acknowledged stands in the log alone."""
    Writer(tmp_path, clock).close()
    writer, killed = Writer(tmp_path, clock), tmp_path / "killed"
    assert keep(writer, clock, range(50)) == list(range(50))
    killed.mkdir()
    for ending in ("", "-wal"):
        shutil.copy(tmp_path / f"readings.db{ending}", killed / f"readings.db{ending}")
    writer.close()
    log = (killed / "readings.db-wal").read_bytes()
    spoil(killed / "readings.db", 0, (killed / "readings.db").stat().st_size // 4096)
    aside = sound_or_aside(killed, T0)
    assert aside is not None
    assert aside.with_name(f"{aside.name}-wal").read_bytes() == log
    assert not (killed / "readings.db-wal").exists()


def test_a_record_that_another_program_holds_is_no_damaged_one(tmp_path: Path, clock: ManualClock) -> None:
    """A backup at work as the controller starts: a year of readings is not set aside for it."""
    writer = Writer(tmp_path, clock)
    keep(writer, clock, range(3))
    writer.close()
    with closing(sqlite3.connect(tmp_path / "readings.db", isolation_level=None)) as backup:
        backup.execute("PRAGMA locking_mode = EXCLUSIVE")
        backup.execute("BEGIN EXCLUSIVE")
        assert sound_or_aside(tmp_path, T0) is None
    assert kept(tmp_path) == {0, 1, 2}


def test_a_sound_record_stays_where_it_is(tmp_path: Path, clock: ManualClock, writer: Writer) -> None:
    """Also while its writer holds it."""
    keep(writer, clock, range(3))
    assert sound_or_aside(tmp_path, T0) is None
    assert kept(tmp_path) == {0, 1, 2}


def test_another_record_in_its_place_has_another_name(tmp_path: Path) -> None:
    """Whoever keeps how far a record was copied can tell them apart."""
    names = set()
    for number in range(2):
        with closing(open_writer(tmp_path / f"{number}.db", READINGS)) as connection:
            names.add(connection.execute("SELECT record FROM identity").fetchone()[0])
    assert len(names) == 2


def test_the_reserve_is_real_and_given_up_once(tmp_path: Path) -> None:
    """A megabyte on the disk, not a hole, nor what a power cut left of it; freed at once, and taken again when it is
    looked at next."""
    (tmp_path / FILE).write_bytes(b"\x5a" * 4096)
    reserve = Reserve(tmp_path)
    reserve.look(0.0)
    held = (tmp_path / FILE).stat()
    assert (held.st_size, held.st_blocks * 512 >= BYTES) == (BYTES, True)
    assert reserve.give_up()
    assert not reserve.give_up()
    reserve.look(4.9)
    assert not (tmp_path / FILE).exists()
    reserve.look(5.0)
    assert (tmp_path / FILE).stat().st_size == BYTES
    (tmp_path / FILE).unlink()
    reserve.look(64.9)
    assert not (tmp_path / FILE).exists()
    reserve.look(65.0)
    assert (tmp_path / FILE).exists()


def test_a_reserve_that_was_put_back_is_held(tmp_path: Path) -> None:
    """However: the disk refused to have it written and to have it removed, and takes writes again. It was given up for
    good, and no reading was kept until the next start."""
    reserve = Reserve(tmp_path)
    reserve.look(0.0)
    assert reserve.give_up()
    (tmp_path / FILE).write_bytes(b"\x5a" * BYTES)
    reserve.look(5.0)
    assert not reserve.given_up


def test_a_reserve_that_the_disk_refuses_costs_nothing_else(tmp_path: Path) -> None:
    """It is looked for again in its time, by the thread that writes."""
    (tmp_path / FILE).mkdir()
    reserve = Reserve(tmp_path)
    reserve.look(0.0)
    assert not reserve.give_up()
    (tmp_path / FILE).rmdir()
    reserve.look(60.0)
    assert (tmp_path / FILE).stat().st_size == BYTES


def test_a_full_disk_takes_the_journal_from_the_reserve(
    tmp_path: Path, clock: ManualClock, writer: Writer, caplog: pytest.LogCaptureFixture
) -> None:
    """The first refusal for want of room frees the reserve, and the same turn writes the entry."""
    writer.turn()
    assert (tmp_path / FILE).exists()
    connection = writer._journal.file.connection
    pages = connection.execute("PRAGMA page_count").fetchone()[0]
    connection.execute(f"PRAGMA max_page_count = {pages}")
    entry = Entry("trip", "larch", "controller", "", {"detail": "x" * 20_000}, T0)
    assert writer.put_journal(entry)
    freed = []
    original = writer._reserve.give_up

    def give_up() -> bool:
        connection.execute("PRAGMA max_page_count = 100000")
        freed.append(True)
        return original()

    writer._reserve.give_up = give_up  # type: ignore[method-assign]
    with caplog.at_level(logging.ERROR):
        writer.turn()
    assert freed == [True]
    assert not (tmp_path / FILE).exists()
    with closing(open_reader(tmp_path / "journal.db")) as reader:
        assert [each.kind for each in journal.read(reader)] == ["trip"]


def test_readings_never_take_the_room_that_was_kept_for_the_journal(
    writer: Writer, clock: ManualClock, tmp_path: Path
) -> None:
    """Once the reserve is given up they wait, and count as failing; once it is held again they are kept, once."""
    clock.sleep(1.0)
    writer.turn()
    assert writer._reserve.give_up()
    told: list[int] = []
    for number in range(100):
        writer.put_reading(reading(number), partial(told.append, number))
    for _ in range(4):
        clock.sleep(1.0)
        writer.turn()
    assert told == []
    assert kept(tmp_path) == set()
    clock.sleep(30.0)
    assert not writer.healthy
    for _ in range(4):
        clock.sleep(3.0)
        writer.turn()
    assert (writer._reserve.given_up, told) == (False, list(range(100)))
    assert writer.healthy
