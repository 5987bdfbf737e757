"""The writer: acknowledged means on disk, and a failing disk loses nothing."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from threading import Event

import pytest

from controller.clock import Clock, ManualClock, Moment
from controller.errors import StoreError
from controller.store import journal, packing, receipts, runs
from controller.store.connection import open_reader
from controller.store.journal import Entry
from controller.store.keeping import Keeping
from controller.store.lane import MOST_AT_ONCE
from controller.store.readings import StoredReading
from controller.store.receipts import Receipt
from controller.store.writer import Writer, readings_patience
from tests import kept

T0 = 1_772_000_000_000


@pytest.fixture
def clock() -> ManualClock:
    return ManualClock(Moment(1000.0, T0))


@pytest.fixture
def writer(tmp_path: Path, clock: ManualClock) -> Iterator[Writer]:
    """A writer without its thread: the tests take its turns."""
    one = Writer(tmp_path, clock, busy_ms=0)
    yield one
    one.close()


def soil(number: int, value: float = 18.0) -> StoredReading:
    return StoredReading("north", "soil-10", "soil", "Cel", value, T0 + number, T0 + number, "good")


def on_disk(folder: Path, table: str = "reading") -> int:
    if table == "reading":
        return len(kept.rows_in(folder))
    connection = open_reader(folder / f"{'journal' if table == 'journal' else 'readings'}.db")
    count = int(connection.execute(f"SELECT count(*) FROM {table}").fetchone()[0])
    connection.close()
    return count


def nothing() -> None:
    pass


ENTRY = Entry("trip", "north", "controller", "too hot", {"value": 40.5}, T0)


def test_a_reading_is_acknowledged_only_once_it_is_on_disk(writer: Writer, clock: ManualClock, tmp_path: Path) -> None:
    """Inside each acknowledgement another connection already sees the whole batch."""
    seen: list[int] = []
    for number in range(3):
        assert writer.put_reading(soil(number), lambda: seen.append(on_disk(tmp_path)))
    writer.turn()
    assert seen == []
    clock.sleep(2.0)
    writer.turn()
    assert seen == [3, 3, 3]
    assert (writer.queue_depth, writer.readings_committed, writer.commits) == (0, 3, 1)


@pytest.mark.parametrize(
    ("waiting", "wait_s", "kept"), [(59, 0.0, 0), (60, 0.0, 60), (61, 0.0, 61), (1, 1.99, 0), (1, 2.0, 1)]
)
def test_a_batch_is_written_when_it_is_large_or_old_enough(
    writer: Writer, clock: ManualClock, tmp_path: Path, waiting: int, wait_s: float, kept: int
) -> None:
    """Sixty readings at once, fewer after two seconds."""
    for number in range(waiting):
        writer.put_reading(soil(number), nothing)
    clock.sleep(wait_s)
    writer.turn()
    assert on_disk(tmp_path) == kept


def leave_an_hour(writer: Writer, clock: ManualClock) -> None:
    """Keep 4000 readings of an hour, which is due to be packed when this ends."""
    for number in range(4000):
        writer.put_reading(soil(number), nothing)
    clock.sleep(2.0)
    for _ in range(2):
        writer.turn()
        clock.sleep(0.1)
    clock.sleep(3660.0)


def test_pieces_of_packing_follow_soon_and_a_commit_comes_between(
    writer: Writer, clock: ManualClock, tmp_path: Path
) -> None:
    """An hour is packed within moments of its end, and what is put meanwhile waits for one piece of it at most."""
    leave_an_hour(writer, clock)
    told: list[int] = []
    pieces = 0
    while pieces == 0 or writer._wait_s() < 0.1:
        for number in range(60):
            writer.put_reading(soil(3_700_000 + 100 * pieces + number), lambda: told.append(1))
        writer.turn()
        pieces += 1
        assert len(told) == 60 * pieces
        clock.sleep(writer._wait_s())
    assert 3 < pieces < 20
    assert on_disk(tmp_path) == 4000 + 60 * pieces
    assert on_disk(tmp_path, "tail") == pieces


def test_between_commits_a_memory_card_rests(clock: ManualClock, tmp_path: Path) -> None:
    """What comes after a quiet time is on disk in two seconds, the rest twenty seconds apart; a run does not wait."""
    writer = Writer(tmp_path, clock, patience=readings_patience(20.0, 100))
    seen: list[tuple[float, int]] = []
    for second in range(100):
        if second % 5 == 0:
            writer.put_reading(soil(second), nothing)
        if second == 70:
            writer.put_run(runs.RunBegan("north", T0))
        clock.sleep(1.0)
        before = writer.commits
        writer.turn()
        if writer.commits > before:
            seen.append((second + 1.0, writer.readings_committed))
    writer.close()
    assert seen == [(2.0, 1), (22.0, 5), (42.0, 9), (62.0, 13), (72.0, 15), (92.0, 19)]


@pytest.mark.parametrize(("window", "enough"), [(20, 12), (100, 60), (1000, 600), (4000, 600)])
def test_enough_is_well_below_what_the_broker_sends_unacknowledged(
    clock: ManualClock, tmp_path: Path, window: int, enough: int
) -> None:
    """Or it would send nothing more until the rest is over."""
    writer = Writer(tmp_path, clock, patience=readings_patience(20.0, window))
    writer.put_reading(soil(0), nothing)
    clock.sleep(2.0)
    writer.turn()
    for number in range(1, enough):
        writer.put_reading(soil(number), nothing)
    writer.turn()
    assert writer.queue_depth == enough - 1
    writer.put_reading(soil(enough), nothing)
    writer.turn()
    assert (writer.queue_depth, writer.readings_committed) == (0, enough + 1)
    writer.close()


def test_what_a_backlog_brings_waits_for_no_rest(clock: ManualClock, tmp_path: Path) -> None:
    """Hundreds in one message, for one acknowledgement: within the rest they filled the line, and the others were given
    up, to be told again half a minute later."""
    writer = Writer(tmp_path, clock, patience=readings_patience(20.0, 4000))
    writer.put_reading(soil(0), nothing)
    clock.sleep(2.0)
    writer.turn()
    for number in range(1, MOST_AT_ONCE):
        writer.put_reading(soil(number))
    writer.turn()
    assert writer.readings_committed == 1
    writer.put_reading(soil(MOST_AT_ONCE))
    writer.turn()
    assert (writer.queue_depth, writer.readings_committed) == (0, MOST_AT_ONCE + 1)
    writer.close()


@pytest.mark.parametrize(("waiting", "crowded"), [(10_000, False), (10_001, True)])
def test_a_line_that_is_half_full_says_so_while_the_disk_takes_it(
    clock: ManualClock, tmp_path: Path, waiting: int, crowded: bool
) -> None:
    """Of twenty thousand; behind a disk that hangs nobody makes room."""
    writer = Writer(tmp_path, clock, busy_ms=0)
    for number in range(waiting):
        writer.put_reading(soil(number))
    assert writer.is_crowded is crowded
    clock.sleep(60.0)
    assert not writer.is_crowded
    writer.close()


def test_a_journal_entry_does_not_wait_for_readings(writer: Writer, tmp_path: Path) -> None:
    """It is written in the very next turn, while the readings still wait."""
    writer.put_reading(soil(0), nothing)
    writer.put_journal(ENTRY)
    writer.turn()
    assert (on_disk(tmp_path, "journal"), on_disk(tmp_path)) == (1, 0)


def test_nothing_to_keep_is_acknowledged_all_the_same(writer: Writer, clock: ManualClock) -> None:
    """A message without a reading in it is acknowledged in its turn, without a commit."""
    acknowledged: list[str] = []
    writer.put_receipt(None, lambda: acknowledged.append("ok"))
    clock.sleep(2.0)
    writer.turn()
    assert acknowledged == ["ok"]
    assert writer.commits == 0


def test_a_locked_database_keeps_the_batch_and_is_tried_each_second(
    writer: Writer, clock: ManualClock, tmp_path: Path
) -> None:
    """While the file is locked nothing is acknowledged or lost and the writer says since when; then all arrives."""
    acknowledged: list[int] = []
    thief = sqlite3.connect(tmp_path / "readings.db", isolation_level=None)
    thief.execute("BEGIN IMMEDIATE")
    for number in range(60):
        writer.put_reading(soil(number), lambda number=number: acknowledged.append(number))  # type: ignore[misc]
    writer.turn()
    assert (writer.healthy, writer.failing_since_s, writer.journal_failing_since_s) == (False, 1000.0, None)
    writer.put_journal(ENTRY)
    clock.sleep(1.0)
    writer.turn()
    assert (on_disk(tmp_path, "journal"), acknowledged, writer.queue_depth) == (1, [], 60)
    assert writer.failing_since_s == 1000.0
    thief.execute("ROLLBACK")
    thief.close()
    clock.sleep(0.9)
    writer.turn()
    assert acknowledged == []
    clock.sleep(0.1)
    writer.turn()
    assert acknowledged == list(range(60))
    assert (writer.healthy, writer.queue_depth, on_disk(tmp_path)) == (True, 0, 60)


@pytest.mark.parametrize("error", [OSError(28, "No space left on device"), sqlite3.OperationalError("disk is full")])
def test_a_full_disk_is_told_apart_from_a_failing_journal(
    writer: Writer, clock: ManualClock, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, error: Exception
) -> None:
    """Readings go on when only the journal fails, and the entry is written once when it recovers."""

    def fail(*_: object) -> list[int]:
        raise error

    with monkeypatch.context() as broken:
        broken.setattr(journal, "append", fail)
        writer.put_journal(ENTRY)
        writer.put_reading(soil(0), nothing)
        clock.sleep(2.0)
        writer.turn()
    assert (writer.healthy, writer.failing_since_s, writer.journal_failing_since_s) == (False, 1000.0, 1000.0)
    assert on_disk(tmp_path) == 1
    clock.sleep(1.0)
    writer.turn()
    assert (writer.healthy, on_disk(tmp_path, "journal")) == (True, 1)


def test_a_disk_that_hangs_counts_as_failing(writer: Writer, clock: ManualClock) -> None:
    """No error comes from a disk that never answers, so the age of what waits tells."""
    writer.put_reading(soil(0), nothing)
    clock.sleep(10.0)
    assert writer.healthy
    clock.sleep(0.1)
    assert (writer.healthy, writer.failing_since_s) == (False, 1000.0)


def test_two_databases_that_fail_count_from_the_first(writer: Writer, clock: ManualClock) -> None:
    """Heat ends a minute after nothing is kept, whichever it was."""
    writer.put_reading(soil(0), nothing)
    clock.sleep(5.0)
    writer.put_journal(ENTRY)
    clock.sleep(10.1)
    assert (writer.failing_since_s, writer.journal_failing_since_s) == (1000.0, 1005.0)


@pytest.mark.parametrize("value", [float("nan"), float("inf"), -300.0, "warm", 2**70])
def test_one_impossible_reading_does_not_hold_up_the_rest(
    writer: Writer, clock: ManualClock, tmp_path: Path, value: float
) -> None:
    """It is refused and counted, everything round it is kept once, and all of it is acknowledged."""
    acknowledged: list[int] = []
    for number in range(3):
        wrong = value if number == 1 else 18.0
        writer.put_reading(soil(number, wrong), lambda: acknowledged.append(1))
    clock.sleep(2.0)
    writer.turn()
    assert (on_disk(tmp_path), writer.refused, writer.readings_committed, len(acknowledged)) == (2, 1, 2, 3)
    assert writer.healthy


def test_one_impossible_run_or_entry_does_not_hold_up_the_rest(
    writer: Writer, clock: ManualClock, tmp_path: Path
) -> None:
    """The schema itself refuses it, in the midst of a batch: what stands round it is kept once, and it is told."""
    for number in (0, 1):
        writer.put_reading(soil(number), nothing)
        writer.put_run(runs.RunBegan(f"bed-{number}", T0))
        writer.put_run(runs.RunEnergy(f"bed-{number}", 100.0 if number else -1.0))
        writer.put_journal(ENTRY if number else replace(ENTRY, at_ms=-1))
    clock.sleep(2.0)
    writer.turn()
    assert (on_disk(tmp_path), on_disk(tmp_path, "journal"), writer.queue_depth) == (2, 1, 0)
    with closing(open_reader(tmp_path / "readings.db")) as connection:
        assert connection.execute("SELECT energy_j FROM heater_run").fetchall() == [(None,), (100.0,)]
    assert (writer.refused, writer.readings_committed, writer.healthy) == (2, 2, True)
    assert "CHECK constraint failed" in writer.refusal


def test_what_is_refused_again_and_again_stops_no_packing_and_is_told(
    writer: Writer, clock: ManualClock, tmp_path: Path
) -> None:
    """A probe that reports in another unit now: the others' hour is packed all the same, their receipts are kept."""
    leave_an_hour(writer, clock)
    commits = 0
    while commits < 20:
        at = 3_700_000 + 100 * commits
        writer.put_reading(soil(at))
        writer.put_reading(soil(at)._replace(quantity="humidity", unit="%RH"))
        writer.put_receipt(Receipt(commits + 1, 7), nothing)
        clock.sleep(2.0)
        writer.turn()
        commits += 1
    assert (on_disk(tmp_path), on_disk(tmp_path, "block"), on_disk(tmp_path, "tail")) == (4020, 1, 20)
    with closing(open_reader(tmp_path / "readings.db")) as connection:
        assert [each.number for each in receipts.lately(connection)] == list(range(1, 21))
    assert (writer.refused, writer.healthy) == (20, True)
    assert "'soil-10': kept in 'Cel' so far and now reports '%RH'; give the probe a new name" in writer.refusal


def test_a_disk_that_fails_beside_an_impossible_reading_keeps_nothing_twice(
    writer: Writer, clock: ManualClock, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The energy written before the failure is undone with the rest, and counted once in the end."""
    writer.put_run(runs.RunBegan("north", T0))
    writer.put_run(runs.RunEnergy("north", 100.0))
    writer.put_reading(soil(0, float("nan")), nothing)
    writer.put_run(runs.RunEnded("north", T0 + 9, "duty"))
    clock.sleep(2.0)
    with monkeypatch.context() as broken:

        def full(*_: object) -> bool:
            raise sqlite3.OperationalError("disk is full")

        broken.setattr(runs, "finish", full)
        writer.turn()
    assert (writer.healthy, on_disk(tmp_path, "heater_run")) == (False, 0)
    clock.sleep(1.0)
    writer.turn()
    with closing(open_reader(tmp_path / "readings.db")) as connection:
        (run,) = connection.execute("SELECT energy_j, ended_by FROM heater_run").fetchall()
    assert run == (100.0, "duty")
    assert writer.refused == 1


def test_an_acknowledgement_that_fails_does_not_stop_the_writer(writer: Writer, clock: ManualClock) -> None:
    """The next one is still called."""
    acknowledged: list[str] = []

    def broken() -> None:
        raise RuntimeError("broker gone")

    writer.put_reading(soil(0), broken)
    writer.put_reading(soil(1), lambda: acknowledged.append("ok"))
    clock.sleep(2.0)
    writer.turn()
    assert acknowledged == ["ok"]


def test_a_full_line_says_so_and_never_crowds_out_the_journal(writer: Writer) -> None:
    """The reading past the bound is turned away at once, unacknowledged; an entry is still taken."""
    assert all(writer.put_receipt(None, nothing) for _ in range(20_000))
    assert not writer.put_receipt(None, nothing)
    assert not writer.put_run(runs.RunBegan("north", T0))
    assert writer.put_journal(ENTRY)
    assert writer.queue_depth == 20_001


def test_a_nonsense_entry_still_reaches_the_journal(writer: Writer, tmp_path: Path) -> None:
    """NaN in a body is written as text, and the chain holds."""
    writer.put_journal(Entry("trip", "north", "controller", "too hot", {"value": float("nan")}, T0))
    writer.turn()
    assert on_disk(tmp_path, "journal") == 1
    assert writer.refused == 0


def test_closing_writes_all_that_waits_and_lets_the_next_writer_in(tmp_path: Path, clock: ManualClock) -> None:
    """More than one commit's worth, none of it due yet."""
    writer = Writer(tmp_path, clock)
    with pytest.raises(StoreError, match=r"readings\.db"):
        Writer(tmp_path, clock)
    acknowledged: list[int] = []
    for number in range(4500):
        writer.put_reading(soil(number), lambda: acknowledged.append(1))
    writer.put_journal(ENTRY)
    assert writer.close() == 0
    assert (on_disk(tmp_path), len(acknowledged), on_disk(tmp_path, "journal")) == (4500, 4500, 1)
    Writer(tmp_path, clock).close()


def test_closing_on_a_failing_disk_says_what_was_not_kept(
    tmp_path: Path, clock: ManualClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It ends all the same, with the number of items lost."""

    def full(*_: object) -> int:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Keeping, "add", full)
    writer = Writer(tmp_path, clock)
    writer.put_reading(soil(0), nothing)
    assert writer.close() == 1


def test_a_journal_that_cannot_be_opened_leaves_no_lock_behind(tmp_path: Path, clock: ManualClock) -> None:
    """The first database is given back when the second fails."""
    (tmp_path / "journal.db").mkdir()
    with pytest.raises(StoreError, match=r"journal\.db"):
        Writer(tmp_path, clock)
    (tmp_path / "journal.db").rmdir()
    Writer(tmp_path, clock).close()


def test_the_thread_writes_a_full_batch_and_an_entry_without_being_asked(tmp_path: Path) -> None:
    """With the real clock: sixty readings are acknowledged from the thread, and the entry is written."""
    writer = Writer(tmp_path, Clock())
    writer.start()
    last = Event()
    writer.put_journal(ENTRY)
    for number in range(60):
        writer.put_reading(soil(number), last.set if number == 59 else nothing)
    assert last.wait(20.0)
    assert on_disk(tmp_path) == 60
    assert writer.healthy
    assert writer.close() == 0
    assert on_disk(tmp_path, "journal") == 1


def test_a_thread_that_dies_is_not_healthy(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """A fault of our own in the thread shows as a failing store, so heat ends; the log has where it was."""
    writer = Writer(tmp_path, Clock())
    died = Event()

    def broken() -> None:
        died.set()
        raise RuntimeError("a fault of our own")

    monkeypatch.setattr(writer, "turn", broken)
    assert not writer.has_died
    writer.start()
    assert died.wait(20.0)
    assert writer.close() == 0
    assert writer.has_died
    assert not writer.healthy
    assert "RuntimeError: a fault of our own" in caplog.text
    assert writer.journal_failing_since_s is not None


def test_the_writer_is_woken_only_by_what_brings_its_commit_nearer(
    writer: Writer, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The first to wait, the first that is wanted soon, and the acknowledgement that makes enough.

    What merely joins wakes it not, nor what is wanted as soon as something before it: a thousand enclosures that lost
    the link woke it a thousand times.
    """
    woken: list[int] = []
    monkeypatch.setattr(writer._wake, "notify", lambda: woken.append(writer.queue_depth))
    for number in range(60):
        assert writer.put_reading(soil(number), nothing)
    assert woken == [1, 60]
    writer.put_run(runs.RunEnergy("north", 1.0))
    writer.put_run(runs.RunBegan("north", T0))
    assert woken == [1, 60, 62]
    writer.put_run(runs.RunEnded("north", T0 + 1, "test"))
    assert writer.put_reading(soil(60), nothing)
    assert woken == [1, 60, 62]
    writer.turn()
    for _ in range(2):
        writer.put_run(runs.RunEnergy("north", 1.0))
    assert woken == [1, 60, 62, 1]
    writer.put_run(runs.RunBegan("north", T0 + 2))
    assert woken == [1, 60, 62, 1, 3]


def test_a_disk_without_room_for_packing_is_tried_each_minute(
    writer: Writer,
    clock: ManualClock,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
) -> None:
    """Readings fit still, an hour of them does not: four times a second all was begun anew, and told to the log."""

    def full(*_: object) -> None:
        raise sqlite3.OperationalError("database or disk is full")

    writer.put_reading(soil(0))
    clock.sleep(2.0)
    writer.turn()
    clock.sleep(3660.0)
    with monkeypatch.context() as broken:
        broken.setattr(packing, "write_days", full)
        for _ in range(1200):
            writer.turn()
            clock.sleep(0.25)
    assert writer.healthy
    assert 5 <= len([each for each in caplog.records if "not tidied" in each.message]) <= 6
    clock.sleep(60.0)
    for _ in range(9):
        writer.turn()
        clock.sleep(0.25)
    assert (on_disk(tmp_path, "block"), on_disk(tmp_path, "tail")) == (1, 0)


def test_two_probes_that_are_refused_by_turns_are_told_once_each(
    writer: Writer, clock: ManualClock, caplog: pytest.LogCaptureFixture
) -> None:
    """Their quantities exchanged in the settings: two lines in the log, not one a reading, and an alert that stays."""
    for name in ("a", "b"):
        writer.put_reading(soil(0)._replace(probe=name))
    said = set()
    for number in range(1, 20):
        clock.sleep(2.0)
        writer.turn()
        said.add(writer.refusal)
        for name in ("a", "b"):
            writer.put_reading(soil(number)._replace(probe=name, quantity="humidity", unit="%RH"))
    assert len(said) == 2, "none, and one of them"
    assert len([each for each in caplog.records if "refused by the schema" in each.message]) == 2
