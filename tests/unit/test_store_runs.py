"""Heater runs and what they add up to."""

import sqlite3
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from controller.store import blocks, runs
from controller.store.connection import open_writer
from controller.store.keeping import Keeping, add
from controller.store.migrations import READINGS
from controller.store.readings import StoredReading

ZURICH = ZoneInfo("Europe/Zurich")
HOUR_MS = 3_600_000
NEVER = 4_000_000_000_000


@pytest.fixture
def store(tmp_path: Path) -> Iterator[sqlite3.Connection]:
    connection = open_writer(tmp_path / "readings.db", READINGS)
    yield connection
    connection.close()


def ms(text: str) -> int:
    return round(datetime.fromisoformat(text).replace(tzinfo=ZURICH).timestamp() * 1000)


def ran(store: sqlite3.Connection, start_ms: int, end_ms: int, joules: float | None = None) -> None:
    runs.begin(store, "north", start_ms)
    if joules is not None:
        runs.add_energy(store, "north", joules)
    runs.finish(store, "north", end_ms, "duty")


def test_a_run_is_opened_once_and_closed_once(store: sqlite3.Connection) -> None:
    """Repeated reports of one contact change nothing, and energy without a run goes nowhere."""
    assert runs.begin(store, "north", 1000)
    assert not runs.begin(store, "north", 2000)
    assert runs.begin(store, "cellar", 2000)
    assert runs.add_energy(store, "north", 500.0)
    assert runs.add_energy(store, "north", 250.0)
    assert runs.finish(store, "north", 5000, "lease")
    assert not runs.finish(store, "north", 6000, "lease")
    assert not runs.add_energy(store, "north", 1.0)
    found = store.execute("SELECT start_ms, end_ms, energy_j, ended_by FROM heater_run ORDER BY id").fetchall()
    assert found == [(1000, 5000, 750.0, "lease"), (2000, None, None, None)]


def test_a_run_never_ends_before_it_began(store: sqlite3.Connection) -> None:
    """A wall clock set back gives a run of no length, which still counts as a cycle with its energy."""
    ran(store, 5000, 4000, 36_000.0)
    for by in ("run", "hour", "day"):
        (one, *_) = runs.summary(store, "north", 0, HOUR_MS, by, ZURICH, NEVER)
        assert (one.on_s, one.cycles, one.energy_kwh) == (0.0, 1, 0.01)


def test_days_are_local_days_when_the_clocks_change(store: sqlite3.Connection) -> None:
    """In Europe/Zurich the night to 2026-10-25 has 25 h and that to 2026-03-29 has 23 h, all of them heated here."""
    for start, end, hours in (
        ("2026-10-24", "2026-10-27", [24, 25, 24]),
        ("2026-03-28", "2026-03-31", [24, 23, 24]),
    ):
        ran(store, ms(start), ms(end), 3.6e6 * sum(hours))
        days = runs.summary(store, "north", ms(start), ms(end), "day", ZURICH, NEVER)
        assert [day.on_s / 3600 for day in days] == hours
        assert [day.energy_kwh for day in days] == pytest.approx(hours)
        assert [day.cycles for day in days] == [1, 0, 0]
        assert [day.start_ms for day in days][1:] == [day.end_ms for day in days][:-1]
        assert len(runs.summary(store, "north", ms(start), ms(end), "hour", ZURICH, NEVER)) == sum(hours)


def test_a_run_over_midnight_is_shared_by_time(store: sqlite3.Connection) -> None:
    """One hour before and three after: a quarter of the energy, and the cycle counts once, where it began."""
    ran(store, ms("2026-01-10T23:00"), ms("2026-01-11T03:00"), 3.6e6)
    first, second = runs.summary(store, "north", ms("2026-01-10"), ms("2026-01-12"), "day", ZURICH, NEVER)
    assert (first.on_s, first.longest_s, first.cycles, first.energy_kwh) == (3600, 3600, 1, 0.25)
    assert (second.on_s, second.longest_s, second.cycles, second.energy_kwh) == (10800, 10800, 0, 0.75)


def test_runs_are_clipped_to_the_range_asked_for(store: sqlite3.Connection) -> None:
    """By run and by day give the same total inside ragged ends, and runs outside do not show."""
    ran(store, 0, HOUR_MS, 3.6e6)
    ran(store, 2 * HOUR_MS, 3 * HOUR_MS, 3.6e6)
    ran(store, 9 * HOUR_MS, 10 * HOUR_MS, 3.6e6)
    low, high = HOUR_MS // 2, 5 * HOUR_MS // 2
    by_run = runs.summary(store, "north", low, high, "run", ZURICH, NEVER)
    assert [(one.start_ms, one.end_ms, one.energy_kwh) for one in by_run] == [
        (low, HOUR_MS, 0.5),
        (2 * HOUR_MS, high, 0.5),
    ]
    (day,) = runs.summary(store, "north", low, high, "day", ZURICH, NEVER)
    assert (day.on_s, day.cycles, day.energy_kwh) == (3600, 1, 1.0)


def test_an_open_run_counts_until_now(store: sqlite3.Connection) -> None:
    """The hour so far is shown, and nothing of the future."""
    runs.begin(store, "north", 0)
    hours = runs.summary(store, "north", 0, 3 * HOUR_MS, "hour", ZURICH, HOUR_MS + 60_000)
    assert [hour.on_s for hour in hours] == [3600, 60, 0]
    (run,) = runs.summary(store, "north", 0, 3 * HOUR_MS, "run", ZURICH, HOUR_MS + 60_000)
    assert (run.end_ms, run.cycles) == (HOUR_MS + 60_000, 1)


def test_a_run_that_has_just_begun_makes_no_day_unknown(store: sqlite3.Connection) -> None:
    """Its node tells of energy with its next report; until then a whole day's was said not to be known."""
    ran(store, 0, 1000, 3.6e6)
    runs.begin(store, "north", 2000)
    (hour,) = runs.summary(store, "north", 0, HOUR_MS, "hour", ZURICH, 5000)
    assert (hour.energy_kwh, hour.energy_known) == (1.0, True)
    (hour,) = runs.summary(store, "north", 0, HOUR_MS, "hour", ZURICH, 70_000)
    assert not hour.energy_known, "a node tells each 5 s: nobody was there to hear it"
    runs.finish(store, "north", 5000, "controller stopped")
    (hour,) = runs.summary(store, "north", 0, HOUR_MS, "hour", ZURICH, 5000)
    assert not hour.energy_known, "of this one it will never be told"


def test_energy_nobody_measured_is_not_called_zero(store: sqlite3.Connection) -> None:
    """A row with one unmeasured run says that its energy is not known; a row without runs knows it is none."""
    ran(store, 0, 1000, 3.6e6)
    ran(store, 2000, 3000)
    first, second = runs.summary(store, "north", 0, 2 * HOUR_MS, "hour", ZURICH, NEVER)
    assert (first.energy_kwh, first.energy_known) == (1.0, False)
    assert (second.energy_kwh, second.energy_known) == (0.0, True)


def test_a_run_left_open_ends_one_lease_after_the_last_sign_of_life(store: sqlite3.Connection) -> None:
    """Eight hours without a controller are not eight hours of heat."""
    runs.begin(store, "north", 10_000)
    runs.begin(store, "cellar", 20_000)
    add(store, [StoredReading("north", "soil-10", "soil", "Cel", 18.0, 60_000, 60_040, "good")])
    assert runs.finish_left_open(store, 15.0) == 2
    found = store.execute("SELECT end_ms, ended_by FROM heater_run ORDER BY id").fetchall()
    assert found == [(75_040, "controller stopped"), (35_000, "controller stopped")]
    assert runs.finish_left_open(store, 15.0) == 0


def test_a_run_left_open_ends_before_what_a_clock_ahead_has_left(store: sqlite3.Connection) -> None:
    """A minute of 2055 is on record; the run went on until the last reading of its own night, not for 29 years."""
    years_ms = 29 * 365 * 24 * HOUR_MS
    for at_ms in (60_000, years_ms, *range(4 * HOUR_MS, 7 * HOUR_MS, HOUR_MS // 2)):
        add(store, [StoredReading("north", "soil-10", "soil", "Cel", 18.0, at_ms, at_ms, "good")])
    Keeping(store).pack_all()
    runs.begin(store, "north", 5 * HOUR_MS + 1)
    assert runs.finish_left_open(store, 15.0) == 1
    assert store.execute("SELECT end_ms FROM heater_run").fetchall() == [(6 * HOUR_MS + HOUR_MS // 2 + 15_000,)]


@pytest.mark.parametrize("heard_ms", [60_000, 99 * HOUR_MS])
def test_a_run_left_open_is_ended_whatever_is_damaged(store: sqlite3.Connection, heard_ms: int) -> None:
    """By its lease: a power cut while it heats may well cost a row of what waits, and each start came to nothing."""
    runs.begin(store, "north", 10_000)
    add(store, [StoredReading("north", "soil-10", "soil", "Cel", 18.0, heard_ms, heard_ms, "good")])
    store.execute("UPDATE tail SET packed = x'02ff'")
    store.execute("UPDATE probe SET heard_ms = ?", (heard_ms,))
    assert runs.finish_left_open(store, 15.0) == 1
    assert store.execute("SELECT end_ms FROM heater_run").fetchall() == [(25_000,)]


def test_a_summary_is_bounded(store: sqlite3.Connection) -> None:
    """A range that is empty, or asks for a lifetime of hours, is refused."""
    with pytest.raises(ValueError, match="swap"):
        runs.summary(store, "north", 5, 5, "day", ZURICH, NEVER)
    with pytest.raises(ValueError, match="10000 rows"):
        runs.summary(store, "north", 0, 20_000 * HOUR_MS, "hour", ZURICH, NEVER)


def test_runs_of_many_left_open_are_closed_in_one_look_at_what_waits(
    store: sqlite3.Connection, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two thousand beds heated as the controller was killed: what waits is unpacked once, not once for each of them."""
    names = [f"bed-{number}" for number in range(20)]
    said = [
        StoredReading(name, "soil", "soil", "Cel", 18.0, 60_000, 60_000 + n, "good") for n, name in enumerate(names)
    ]
    add(store, said)
    for name in names:
        runs.begin(store, name, 10_000)
    unpacked: list[bytes] = []

    def unpack(block: bytes) -> list[blocks.Row]:
        unpacked.append(block)
        return was(block)

    was = blocks.unpack
    monkeypatch.setattr(blocks, "unpack", unpack)
    assert runs.finish_left_open(store, 15.0) == 20
    assert len(unpacked) == 1
    found = store.execute("SELECT end_ms FROM heater_run ORDER BY id").fetchall()
    assert found == [(75_000 + number,) for number in range(20)]
