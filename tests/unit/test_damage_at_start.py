"""Whatever page of a database is damaged: the record is begun anew, and without a sound journal nothing starts."""

import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from controller.clock import ManualClock
from controller.errors import StoreError
from controller.safety.trip import Trip, TripKind
from controller.standing import Standing
from controller.store import journal, runs, sums
from controller.store.connection import open_reader, open_writer
from controller.store.damage import DamagedError, require_sound_journal
from controller.store.journal import Entry
from controller.store.keeping import Keeping
from controller.store.migrations import JOURNAL, READINGS
from controller.store.readings import HOUR_MS, StoredReading
from controller.store.runs import RunBegan, RunEnded
from controller.store.sums import DAY_MS
from controller.store.writer import Writer
from tests.core_site import NIGHT_MS
from tests.kept import rows_in
from tests.unit.test_controller_shell import Shell
from tests.unit.test_damage import spoil
from tests.wire.kit import ROOT, write_site

PAGE = 4096


def reading(at_ms: int, probe: str = "soil") -> StoredReading:
    """Return what a probe said."""
    return StoredReading("larch", probe, probe, "Cel", 10.0 + at_ms % 7 / 16, at_ms, at_ms + 40, "good")


def fill_record(file: Path) -> int:
    """Keep three days of two probes, runs and a tail; returns how many pages that takes."""
    begin_ms = NIGHT_MS - 3 * DAY_MS
    with closing(open_writer(file, READINGS)) as record:
        keeping = Keeping(record)
        keeping.add([reading(begin_ms + 60_000 * n + i, p) for n in range(4320) for i, p in enumerate(("soil", "air"))])
        keeping.pack_all()
        keeping.add([reading(NIGHT_MS - 60_000 * n - 5) for n in range(30)])
        for number in range(400):
            runs.begin(record, "larch", begin_ms + 400_000 * number)
            runs.finish(record, "larch", begin_ms + 400_000 * number + 90_000, "no heat wanted now")
        record.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return file.stat().st_size // PAGE


def fill_journal(file: Path) -> int:
    """Write some hundred entries; returns how many pages they take."""
    entries = [Entry(kind, "larch", "keeper", "why", {"n": n}, NIGHT_MS - n) for n in range(150) for kind in ("a", "b")]
    with closing(open_writer(file, JOURNAL)) as written:
        journal.append(written, entries)
        written.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return file.stat().st_size // PAGE


def live_on(folder: Path) -> list[int]:
    """Run a controller for a minute and past the next hours; returns which readings were acknowledged."""
    shell, told = Shell(folder), list[int]()
    writer = shell.controller.writer
    writer.put_run(RunBegan("larch", NIGHT_MS))
    writer.put_run(RunEnded("larch", NIGHT_MS + 5, "a test"))
    for number, at_ms in enumerate((NIGHT_MS, NIGHT_MS + 10_000, NIGHT_MS - 30 * HOUR_MS + 7)):
        writer.put_reading(reading(at_ms), lambda number=number: told.append(number))  # type: ignore[misc]
    for later_s in (0.0, 3.0 * HOUR_MS / 1000):
        shell.clock.sleep(later_s)
        for _ in range(12):
            shell.turn(1)
            writer.turn()
    assert writer.healthy
    shell.controller._end()
    return sorted(told)


def test_whatever_page_of_the_record_is_damaged_the_service_goes_on(tmp_path: Path) -> None:
    """What is put is kept and acknowledged; a file that is set aside is whole as it was, and the journal names it."""
    whole = tmp_path / "whole.db"
    set_aside = 0
    for page in range(fill_record(whole)):
        folder = tmp_path / str(page)
        folder.mkdir()
        shutil.copy(whole, folder / "readings.db")
        spoil(folder / "readings.db", page, 1)
        spoilt = (folder / "readings.db").read_bytes()
        assert live_on(folder) == [0, 1, 2], page
        aside = [each for each in folder.glob("readings.db.damaged-*") if each.name[-1].isdigit()]
        set_aside += len(aside)
        with closing(open_reader(folder / "journal.db")) as read:
            named = [each.body["file"] for each in journal.read(read) if each.body.get("alert") == "record-damaged"]
        assert named == [each.name for each in aside], page
        assert all(each.stat().st_size >= len(spoilt) for each in aside)
        shutil.rmtree(folder)
    assert set_aside > 20


def test_where_journal_and_latches_are_both_gone_it_starts_latched_if_it_has_ever_heated(tmp_path: Path) -> None:
    """A failing card took the latches, and the damaged journal was moved away as its words say: that is no first start
    (hazard D03)."""
    with closing(open_writer(tmp_path / "readings.db", READINGS)) as record:
        runs.begin(record, "larch", NIGHT_MS - HOUR_MS)
    shell = Shell(tmp_path)
    standing = shell.controller.keepers["larch"].state.standing
    shell.controller._end()
    assert [each.kind for each in standing.trips] == [TripKind.LATCHES_LOST]


def test_a_record_set_aside_by_who_ended_before_the_journal_had_it_is_told_by_the_next_one(tmp_path: Path) -> None:
    """Mains that come and go: the history would be gone, and no word of where it is. Told once, its log not apart."""
    for ending in ("", "-wal"):
        (tmp_path / f"readings.db.damaged-{NIGHT_MS}{ending}").write_bytes(b"\xa5" * PAGE)
    for _ in range(2):
        shell = Shell(tmp_path)
        shell.turn(1)
        shell.controller._end()
    with closing(open_reader(tmp_path / "journal.db")) as written:
        named = [each.body["file"] for each in journal.read(written, kind="alert") if "file" in each.body]
    assert named == [f"readings.db.damaged-{NIGHT_MS}"]


@pytest.mark.parametrize("name", ["readings.db", "journal.db"])
def test_a_database_that_was_just_begun_is_made_whole(tmp_path: Path, name: str) -> None:
    """The power went between its first page and its first table, as when a damaged record was begun anew: no start
    came of it any more, each ended with "no such table", and a person had to find out which file to remove."""
    with closing(sqlite3.connect(tmp_path / name)) as begun:
        begun.execute("PRAGMA journal_mode = WAL")
    assert live_on(tmp_path) == [0, 1, 2]


@pytest.mark.parametrize("name", ["block", "block_by_heard"])
def test_what_the_next_hour_is_written_beside_is_looked_at_before_it(tmp_path: Path, name: str) -> None:
    """Met when that hour is packed, the damage would take all that was kept since the start out of the record."""
    file = tmp_path / "readings.db"
    fill_record(file)
    with closing(sqlite3.connect(file)) as raw:
        (last,) = raw.execute("SELECT rootpage FROM sqlite_schema WHERE name = ?", (name,)).fetchone()
    while (page := file.read_bytes()[PAGE * (last - 1) :])[0] in (2, 5):
        last = int.from_bytes(page[8:12], "big")
    spoil(file, last - 1, 1)
    assert live_on(tmp_path) == [0, 1, 2]
    assert {row[1] for row in rows_in(tmp_path)} == {NIGHT_MS, NIGHT_MS + 10_000, NIGHT_MS - 30 * HOUR_MS + 7}


def test_whatever_page_of_the_journal_is_damaged_nothing_starts_and_nothing_is_touched(tmp_path: Path) -> None:
    """Where trips and resets stand is not begun anew by a program; the words name the file and what to do."""
    whole, file = tmp_path / "whole.db", tmp_path / "journal.db"
    require_sound_journal(tmp_path)
    for page in range(fill_journal(whole)):
        shutil.copy(whole, file)
        require_sound_journal(tmp_path)
        spoil(file, page, 1)
        spoilt = file.read_bytes()
        with pytest.raises(DamagedError, match=r"journal\.db is damaged; without a journal there is no heat: stop"):
            Shell(tmp_path)
        assert file.read_bytes() == spoilt


def test_a_controller_with_a_damaged_journal_says_so_and_ends(tmp_path: Path) -> None:
    """A person reads one line on the terminal or in the service's log, not a program's insides."""
    settings = write_site(tmp_path, 1)
    (tmp_path / "data").mkdir()
    pages = fill_journal(tmp_path / "data" / "journal.db")
    spoil(tmp_path / "data" / "journal.db", pages // 2, 1)
    command = [sys.executable, "-m", "controller.cli", "controller", "--settings", str(settings)]
    ended = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=240, check=False)
    assert ended.returncode == 1
    assert "journal.db is damaged; without a journal there is no heat" in ended.stderr
    assert "Traceback" not in ended.stderr


@pytest.mark.parametrize(
    "command", [["verify"], ["proof-test", "larch", "--person", "keeper"], ["export", "--what", "journal"]]
)
def test_every_command_that_meets_a_damaged_journal_says_so(tmp_path: Path, command: list[str]) -> None:
    """The one that checks it, the one that needs it whole, and one that only reads."""
    settings = write_site(tmp_path, 1)
    (tmp_path / "data").mkdir()
    pages = fill_journal(tmp_path / "data" / "journal.db")
    # All but the first: no page of an index alone is met, which a reader would not notice.
    spoil(tmp_path / "data" / "journal.db", 1, pages - 1)
    asked = [sys.executable, "-m", "controller.cli", *command, "--settings", str(settings)]
    ended = subprocess.run(asked, cwd=ROOT, capture_output=True, text=True, timeout=240, check=False)
    assert ended.returncode == 1
    assert "journal.db is damaged; without a journal there is no heat" in ended.stderr
    assert "Traceback" not in ended.stderr


def test_a_journal_moved_away_is_begun_anew_and_the_latches_stay(tmp_path: Path) -> None:
    """The remedy that the words name: what is latched has a file of its own."""
    shell = Shell(tmp_path)
    shell.controller._end()
    stopped = Trip(TripKind.STOPPED, "", None, None, NIGHT_MS, "stopped by keeper")
    shell.controller.memory.save({"larch": Standing(trips=(stopped,))})
    (tmp_path / "journal.db").rename(tmp_path / "old.db")
    assert live_on(tmp_path) == [0, 1, 2]
    again = Shell(tmp_path).controller
    assert again.keepers["larch"].state.standing.trips == (stopped,)
    again._end()


@pytest.fixture
def spoilt_writer(tmp_path: Path) -> Iterator[Writer]:
    """Yield a writer whose journal breaks at the first entry."""
    shell = Shell(tmp_path)
    shell.controller._end()
    with closing(sqlite3.connect(tmp_path / "journal.db")) as raw:
        (root,) = raw.execute("SELECT rootpage FROM sqlite_schema WHERE name = 'journal_by_time'").fetchone()
    spoil(tmp_path / "journal.db", root - 1, 1)
    writer = Writer(tmp_path, shell.clock)
    yield writer
    writer.close()


def test_a_journal_that_breaks_while_it_is_written_is_told_as_what_it_is(spoilt_writer: Writer) -> None:
    """Not as a disk that will take entries again."""
    assert spoilt_writer.journal_damage == ""
    spoilt_writer.put_journal(Entry("alert", None, "a test", "", {}, NIGHT_MS))
    spoilt_writer.turn()
    assert not spoilt_writer.healthy
    assert spoilt_writer.journal_damage.startswith("journal.db is damaged; without a journal there is no heat: stop")


def test_a_journal_that_is_damaged_keeps_no_reading_back(spoilt_writer: Writer) -> None:
    """No room would help it: the reserve was given up for it and written anew each five seconds, all a card's life in
    some weeks, and no reading was kept meanwhile. What is kept is packed in its time, or days would be at once."""
    clock, told = spoilt_writer._clock, list[int]()
    assert isinstance(clock, ManualClock)
    spoilt_writer.turn()
    spoilt_writer.put_journal(Entry("alert", None, "a test", "", {}, NIGHT_MS))
    for number in range(20):
        spoilt_writer.put_reading(reading(NIGHT_MS + 1000 * number), lambda number=number: told.append(number))  # type: ignore[misc]
        clock.sleep(1.0)
        spoilt_writer.turn()
    assert spoilt_writer.journal_damage
    assert (told[:18], spoilt_writer._reserve.given_up) == ([*range(18)], False)
    clock.sleep(2 * HOUR_MS / 1000)
    for _ in range(10):
        clock.sleep(1.0)
        spoilt_writer.turn()
    packed = spoilt_writer._record.connection.execute("SELECT sum(count) FROM block").fetchone()
    assert (packed, spoilt_writer.healthy) == ((20,), False)


def test_people_are_told_of_what_is_not_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A journal that breaks, a probe in another unit: as an alert, on every page, while the controller lives."""
    shell = Shell(tmp_path)
    shell.turn(1)
    monkeypatch.setattr(Writer, "journal_damage", "journal.db is damaged; do this")
    monkeypatch.setattr(Writer, "refusal", "probe 'soil': kept in 'Cel' so far")
    shell.turn(1)
    found = {each.name: each.detail for each in shell.controller.keepers["larch"].state.alerts}
    assert found["journal-damaged"] == "journal.db is damaged; do this"
    assert found["not-kept"] == "not kept on record: probe 'soil': kept in 'Cel' so far"
    shell.controller._end()


@pytest.mark.parametrize("spoil_bytes", [b"\xa5", b"z", b""])
def test_a_day_of_minutes_that_is_none_is_damage_that_can_be_mended(spoil_bytes: bytes) -> None:
    """It has no check sum: what cannot be read of it ends no thread. Nobody was to put back a backup for it, though
    its readings are there."""
    minutes = {at_ms: sums.Sum(at_ms, 3, 1.5, 2.5, 6.1) for at_ms in range(0, 180_000, 60_000)}
    packed, first = sums.pack("minutes", minutes, 0), sums.MINUTES.size
    spoilt = packed[:first] + spoil_bytes + packed[first + 1 :] if spoil_bytes else packed[:-1]
    with pytest.raises(StoreError, match=r"a day of minutes is damaged .* run `soilward verify --mend`$"):
        sums.unpack("minutes", spoilt, 0)


def test_a_command_that_knows_no_remedy_of_its_own_sends_to_the_one_that_does(tmp_path: Path) -> None:
    """A replay over a damaged journal: a sentence, and no traceback."""
    settings, data = write_site(tmp_path, 1), tmp_path / "data"
    data.mkdir()
    open_writer(data / "readings.db", READINGS).close()
    pages = fill_journal(data / "journal.db")
    spoil(data / "journal.db", 1, pages - 1)
    asked = [sys.executable, "-m", "controller.cli", "simulate", "--replay", str(data), "--settings", str(settings)]
    ended = subprocess.run(asked, cwd=ROOT, capture_output=True, text=True, timeout=240, check=False)
    assert ended.returncode == 1
    assert "a database of the data folder is damaged" in ended.stderr
    assert "`soilward verify` names it" in ended.stderr
    assert "Traceback" not in ended.stderr
