"""What is too old goes, in small steps; hours stay; a clock that leaps takes nothing with it."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from controller.clock import ManualClock, Moment
from controller.settings import Store
from controller.store import comparing, orders, reading_back, shelves
from controller.store.connection import open_reader, open_writer, transaction
from controller.store.keeping import Keeping
from controller.store.migrations import READINGS
from controller.store.orders import OrderChanged
from controller.store.readings import HOUR_MS, StoredReading
from controller.store.retention import STEP_ROWS, Retention
from controller.store.sums import DAY_MS
from controller.store.writer import Writer
from tests import kept

T0 = 1_772_000_000_000 - 1_772_000_000_000 % DAY_MS
STORE = Store(raw_days=30, minute_days=90)


@pytest.fixture
def record(tmp_path: Path) -> Iterator[sqlite3.Connection]:
    """Yield an empty record."""
    connection = open_writer(tmp_path / "readings.db", READINGS)
    yield connection
    connection.close()


def keep(record: sqlite3.Connection, first_day: int, days: int, per_day: int = 24, probe: str = "soil") -> None:
    """Keep some days of readings, counted from T0."""
    step_ms = DAY_MS // per_day
    moments = range(T0 + first_day * DAY_MS, T0 + (first_day + days) * DAY_MS, step_ms)
    keeping = Keeping(record)
    keeping.add([StoredReading("larch", probe, "soil", "Cel", 15.0, ms, ms, "good") for ms in moments])
    keeping.pack_all()
    # The day after the last is today: all that is kept is rolled up.
    while keeping.pack(T0 + (first_day + days) * DAY_MS + 12 * HOUR_MS):
        pass


def days_kept(record: sqlite3.Connection, table: str, probe: str = "soil") -> list[int]:
    """Return the days, counted from T0, of which anything is left: of `readings`, `minutes` or `hours`."""
    (number,) = record.execute("SELECT id FROM probe WHERE name = ?", (probe,)).fetchone()
    if table == "readings":
        starts = [row[1] for row in kept.rows(record, probe)]
    else:
        span = (shelves.day_id(number, 0), shelves.day_id(number + 1, 0))
        found = record.execute(f"SELECT id FROM {table} WHERE id >= ? AND id < ?", span)
        starts = [shelves.day_start_ms(row[0]) for row in found]
    return sorted({(at_ms - T0) // DAY_MS for at_ms in starts})


def run(record: sqlite3.Connection, now_ms: int, steps: int = 200) -> list[int]:
    """Take steps; returns how many rows each took away."""
    retention = Retention(STORE)
    return [retention.step(record, 10.0 * number, now_ms) for number in range(steps)]


def test_readings_go_after_their_days_and_minutes_after_theirs(record: sqlite3.Connection) -> None:
    """Of 120 days: 30 of readings, 90 of minutes, all of the hours."""
    keep(record, 0, 120)
    run(record, T0 + 120 * DAY_MS)
    assert days_kept(record, "readings") == list(range(90, 120))
    assert days_kept(record, "minutes") == days_kept(record, "tens") == list(range(30, 120))
    assert days_kept(record, "hours") == list(range(120))


def counts(record: sqlite3.Connection, start_day: float, end_day: float, points: int) -> tuple[float, dict[float, int]]:
    """Return how wide the buckets of a chart are [h], and by hour, counted from T0, how many readings each has."""
    span = (T0 + round(start_day * DAY_MS), T0 + round(end_day * DAY_MS))
    (found,) = reading_back.series(record, "larch", None, *span, points)
    return found.bucket_ms / HOUR_MS, {(row.start_ms - T0) / HOUR_MS: row.count for row in found.rows}


def test_a_day_of_which_half_the_readings_are_gone_is_shown_whole(record: sqlite3.Connection) -> None:
    """The other half are minutes: in a chart of the day, and in one that begins within that half."""
    keep(record, 0, 40, 144)
    run(record, T0 + 40 * DAY_MS - 12 * HOUR_MS)
    assert min(row[1] for row in kept.rows(record)) == T0 + 9 * DAY_MS + 12 * HOUR_MS
    assert counts(record, 9, 10, 24) == (1.0, {216.0 + hour: 6 for hour in range(24)})
    assert sum(counts(record, 9 + 1 / 36, 10, 1000)[1].values()) == 140


def test_a_minute_whose_readings_are_kept_lends_none_from_beyond_the_range(record: sqlite3.Connection) -> None:
    """The range ends within a minute whose only reading comes later; that it is rolled up already changes nothing."""
    keep(record, 0, 3)
    Keeping(record).add(
        [StoredReading("larch", "soil", "soil", "Cel", 9.0, T0 + 90_000 + HOUR_MS, T0 + 3 * DAY_MS, "good")]
    )
    Keeping(record).pack_all()
    hour = 1 / 24
    assert counts(record, hour + 30 / 86_400, hour + 80 / 86_400, 1)[1] == {}
    assert sum(counts(record, hour + 30 / 86_400, hour + 91 / 86_400, 1)[1].values()) == 1


def test_where_minutes_are_gone_a_chart_shows_hours(record: sqlite3.Connection) -> None:
    """However close one looks; where they are kept it shows what it did."""
    keep(record, 0, 120, 144)
    run(record, T0 + 120 * DAY_MS)
    assert counts(record, 5, 6, 1000) == (1.0, {120.0 + hour: 6 for hour in range(24)})
    assert counts(record, 5, 15, 1000)[0] == 1.0
    assert counts(record, 29, 31, 100) == (1.0, {29 * 24.0 + hour: 6 for hour in range(48)})
    assert counts(record, 5, 6, 4) == (6.0, {120.0 + hour: 36 for hour in (0, 6, 12, 18)})
    assert counts(record, 40, 42, 1000)[0] < 0.06


def test_minutes_are_kept_as_long_as_the_readings_they_are_of(record: sqlite3.Connection) -> None:
    """Settings may say less; then 300 days of readings had none, and were told as damaged by `verify`."""
    keep(record, 0, 110)
    retention = Retention(Store(raw_days=100, minute_days=90))
    for number in range(100):
        retention.step(record, 10.0 * number, T0 + 110 * DAY_MS)
    assert days_kept(record, "readings") == days_kept(record, "minutes") == list(range(10, 110))
    compared = [comparing.compare(record, one, T0 + 10 * DAY_MS) for one in comparing.closed_days(record)]
    assert {each.tables for each in compared} == {()}


def test_at_no_moment_has_a_day_minutes_and_no_tens(record: sqlite3.Connection, tmp_path: Path) -> None:
    """A chart of a week reads tens wherever there are minutes: it would show a gap."""
    keep(record, 0, 120)
    seen = list[bool]()
    with closing(open_reader(tmp_path / "readings.db")) as reader:

        def look(_: str) -> None:
            days = [reader.execute(f"SELECT id FROM {table}").fetchall() for table in ("minutes", "tens")]
            seen.append(days[0] == days[1])

        record.set_trace_callback(look)
        run(record, T0 + 120 * DAY_MS)
    assert len(days_kept(record, "minutes")) == 90
    assert all(seen)


def test_what_came_late_is_forgotten_with_its_reading(record: sqlite3.Connection) -> None:
    """Once the reading is gone nobody asks for it; a number once given is not given again."""
    keep(record, 0, 2)
    keeping = Keeping(record)
    for late_ms in (T0 + 1000, T0 + DAY_MS + 1000):
        keeping.add([StoredReading("larch", "soil", "soil", "Cel", 15.0, late_ms, T0 + 3 * DAY_MS, "good")])
    keep(record, 3, 30)
    keeping = Keeping(record)
    keeping.add([StoredReading("larch", "soil", "soil", "Cel", 15.0, T0 + 20 * DAY_MS + 1, T0 + 33 * DAY_MS, "good")])
    run(record, T0 + 33 * DAY_MS)
    assert record.execute("SELECT id, taken_ms FROM late").fetchall() == [(3, T0 + 20 * DAY_MS + 1)]


def test_orders_go_with_the_readings_that_they_followed_from(record: sqlite3.Connection) -> None:
    """Two in each cycle would fill a card with what no replay can tell any more."""
    keep(record, 0, 40)
    with transaction(record):
        # As the site began its clock was years ahead.
        for number in range(3 * STEP_ROWS):
            orders.add(
                record, OrderChanged("elder", T0 + 9999 * DAY_MS + number, False, True, "no heat wanted now", ())
            )
            record.execute("INSERT INTO late (probe_id, taken_ms) VALUES (1, ?)", (T0 + 9999 * DAY_MS + number,))
        record.execute("INSERT INTO late (probe_id, taken_ms) VALUES (1, ?)", (T0,))
        for hour in range(40 * 24):
            orders.add(record, OrderChanged("larch", T0 + hour * HOUR_MS, False, True, "no heat wanted now", ()))
    run(record, T0 + 40 * DAY_MS)
    left = orders.between(record, "larch", T0, T0 + 40 * DAY_MS)
    assert [(each.at_ms - T0) // HOUR_MS for each in left] == list(range(10 * 24, 40 * 24))
    assert record.execute("SELECT count(*), min(taken_ms) FROM late").fetchone() == (300, T0 + 9999 * DAY_MS)


def test_each_step_is_small_and_in_its_time(record: sqlite3.Connection) -> None:
    """At most a hundred blocks of an hour, never two steps within ten seconds, every probe in turn."""
    keep(record, 0, 40, 144)
    keep(record, 0, 40, 144, "deep")
    gone = run(record, T0 + 40 * DAY_MS)
    assert max(gone) == STEP_ROWS
    assert sum(gone) == 2 * 10 * 24
    assert days_kept(record, "readings", "deep") == list(range(10, 40))
    retention = Retention(STORE)
    keep(record, 40, 20)
    assert [retention.step(record, at_s, T0 + 60 * DAY_MS) > 0 for at_s in (0.0, 9.9, 10.0)] == [True, False, True]


def test_a_clock_that_leaps_years_ahead_takes_nothing(record: sqlite3.Connection) -> None:
    """Thirty days with readings are on record: all stay, whatever the calendar says."""
    keep(record, 0, 30)
    assert sum(run(record, T0 + 4000 * DAY_MS)) == 0


def test_a_reading_from_the_future_takes_only_its_own_day(record: sqlite3.Connection) -> None:
    """One stamped ten years ahead counts as one day of the thirty."""
    keep(record, 0, 31)
    keep(record, 4000, 1)
    run(record, T0 + 4001 * DAY_MS)
    assert days_kept(record, "readings") == [*range(2, 31), 4000]


def test_a_summer_without_readings_costs_none_of_the_spring(record: sqlite3.Connection) -> None:
    """Twenty days in spring and five in autumn: too old by the calendar, but the newest there are."""
    keep(record, 0, 20)
    keep(record, 200, 5)
    assert sum(run(record, T0 + 205 * DAY_MS)) == 0


def test_a_summer_without_readings_costs_no_minutes_of_the_spring_either(record: sqlite3.Connection) -> None:
    """Ninety days of them are kept, by days of which there are any."""
    keep(record, 0, 100)
    keep(record, 200, 5)
    run(record, T0 + 205 * DAY_MS)
    left = [*range(15, 100), *range(200, 205)]
    assert days_kept(record, "minutes") == days_kept(record, "tens") == left


def test_the_writer_forgets_only_while_nothing_waits(tmp_path: Path) -> None:
    """With readings waiting the disk is theirs; once they are kept, a step is taken."""
    connection = open_writer(tmp_path / "readings.db", READINGS)
    keep(connection, 0, 60)
    connection.close()
    clock = ManualClock(Moment(1000.0, T0 + 60 * DAY_MS))
    writer = Writer(tmp_path, clock, retention=Retention(STORE))
    writer.put_reading(StoredReading("larch", "soil", "soil", "Cel", 15.0, T0 + 60 * DAY_MS, T0, "good"), lambda: None)
    writer.turn()
    assert len(days_kept(writer._record.connection, "readings")) == 60
    clock.sleep(3.0)
    for _ in range(10):
        writer.turn()
        clock.sleep(0.5)
    # A step is a hundred hours: four whole days and a part of the next.
    assert len(days_kept(writer._record.connection, "readings")) == 61 - 4
    writer.close()


def test_where_no_minute_is_too_old_none_is_counted(record: sqlite3.Connection) -> None:
    """To count a probe's days reads a page of nearly each: for years of fifty probes that held up commits."""
    keep(record, 0, 60)
    asked: list[str] = []
    record.set_trace_callback(asked.append)
    assert run(record, T0 + 60 * DAY_MS, 20) == [100, 100, 100, 100, 100, 100, 100, 20, *[0] * 12]
    assert not [each for each in asked if "FROM minutes" in each and "OFFSET" in each]


def test_a_chart_of_readings_that_outlived_their_minutes_counts_each_once(record: sqlite3.Connection) -> None:
    """Settings may keep minutes for 90 days and readings for 400: ten minutes of an hour are those ten and no more."""
    keep(record, 0, 3, 1440)
    record.execute("DELETE FROM minutes")
    record.execute("DELETE FROM tens")
    start, end = 1 + 10.2 / 24, 1 + 10.4 / 24
    assert sum(counts(record, start, end, 1)[1].values()) == 12
