"""Hazard rows of the process and the disk: a real controller that hangs, dies, runs out, or cannot write."""

import multiprocessing
import random
import signal
import sqlite3
import time
from contextlib import closing
from pathlib import Path

import pytest

from controller import standing
from controller.proving import criteria
from controller.proving.account import Account, Outcome, Result, entry_of
from controller.safety.trip import Trip, TripKind
from controller.standing import Kept, Standing
from controller.store import journal, runs
from controller.store.connection import open_writer
from controller.store.migrations import JOURNAL, READINGS
from tests.core_site import Bed, plan_of
from tests.faults.cases import LOOK_S, seen
from tests.faults.sick import UNRECORDED_S
from tests.wire.kit import STARTS_S, Bench, throughout, until

CLASS_C_S, LEASE_S = 15.0, 6.0
"""[s] restated from the hazard table; the lease of these sites."""


def sick_bench(folder: Path, illness: str) -> Bench:
    """Return a bench whose controller will fall ill."""
    bench = Bench(folder)
    bench.controller.module = ["tests.faults.sick", illness]
    return bench


@pytest.mark.parametrize(
    ("row", "illness", "patience_s", "shows"),
    [
        pytest.param("C02", "hangs", 2.0, "", id="C02-the-loop-hangs"),
        pytest.param("C11", "writer-dies", 3.0, "not callable", id="C11-a-thread-dies-silently"),
        pytest.param("C11", "listener-dies", 3.0, "not callable", id="C11-the-network-s-thread-dies"),
        pytest.param("C12", "out-of-memory", 0.0, "MemoryError", id="C12-out-of-memory"),
        pytest.param("C12", "no-files", UNRECORDED_S, "Too many open files", id="C12-no-file-left"),
        pytest.param("C15", "overruns", 3.0, "", id="C15-ticks-of-4-s"),
        pytest.param("D01", "disk-full", UNRECORDED_S, "disk does not take what waits", id="D01-disk-full"),
        pytest.param("D06", "read-only", UNRECORDED_S, "disk does not take what waits", id="D06-read-only"),
    ],
)
def test_a_controller_that_falls_ill_holds_no_heat(
    tmp_path: Path, row: str, illness: str, patience_s: float, shows: str
) -> None:
    """Whatever stops in the process, the contact opens within the lease and the row's own patience, and stays open.

    Its log shows that it was this illness and no other.
    """
    with sick_bench(tmp_path, illness) as bench:
        bench.heat()
        bench.controller.send(signal.SIGUSR1)
        ill_s = time.monotonic() + LOOK_S
        bound_s = LEASE_S + patience_s + LOOK_S
        seen(row, bench.open_for_good(CLASS_C_S + bound_s, LEASE_S), bound_s)
        log = (tmp_path / "controller.log").read_text(encoding="utf-8")
        assert shows in log, log[-2000:]
        assert "AttributeError" not in log, log[-2000:]
        if illness in {"disk-full", "read-only", "no-files", "overruns"}:
            assert bench.controller.is_alive
        if illness == "hangs":
            until("the watchdog has killed it", lambda: not bench.controller.is_alive, 10.0)
        if illness in {"writer-dies", "listener-dies"}:
            until("it has ended in order, to be started again", lambda: not bench.controller.is_alive, 10.0)
            stops = bench.rows("SELECT why FROM journal WHERE kind = 'stop'", file="journal.db")
            assert stops == [("controller stopped by a fault of its own",)]
        if illness == "overruns":
            assert not any(command["on"] for command in bench.spy.commands(after_s=ill_s)), "no late tick renews"


def test_d02_a_database_locked_for_a_moment_costs_no_heat_and_for_long_does(tmp_path: Path) -> None:
    """D02: what happens waits in memory; past the patience the order is off, and all is written when the lock goes."""
    with sick_bench(tmp_path, "none") as bench:
        bench.heat()
        with closing(sqlite3.connect(bench.data / "journal.db", isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            bench.ask("set-point", set_point_c=24.0)
            throughout("a moment's lock costs no heat", lambda: bench.node.core.on, 3.0)
            opened_s = bench.open_within(12.0 + UNRECORDED_S + CLASS_C_S)
            seen("D02", opened_s + 3.0)
            other.execute("ROLLBACK")
        asked = "SELECT count(*) FROM journal WHERE kind = 'answer' AND body LIKE '%24%'"
        until("the answer is written after all", lambda: bench.rows(asked, file="journal.db") == [(1,)], 15.0)
        bench.permitted_within(30.0)


LATCHED = Standing(trips=(Trip(TripKind.SOIL_OVER, "soil", 41.0, 40.0, 1, "soil hot"),))
OTHER = Standing(armed=True, closings=9, trips=LATCHED.trips)


def save_for_ever(file: Path) -> None:
    """Save one and the other, until killed."""
    while True:
        for each in (LATCHED, OTHER):
            standing.save(file, Kept(7, {"larch": each}))


def test_d05_a_power_cut_in_the_middle_of_a_save_leaves_the_old_latch_or_the_new(tmp_path: Path) -> None:
    """D05: killed thirty times and until both were seen, at any moment: one of the two is read, never nothing."""
    file, chance = tmp_path / "standing.json", random.Random(5)
    found: set[int] = set()
    on_s, saves_s = 0, 0.02
    for number in range(200):
        if number >= 30 and found == {0, 9}:
            break
        saving = multiprocessing.get_context("fork").Process(target=save_for_ever, args=(file,), daemon=True)
        saving.start()
        # As long as a save or two take on this disk: the first kill of all knows it best.
        saves_s = max(saves_s, 3.0 * until("something was saved", file.exists, 10.0))
        time.sleep(chance.uniform(0.0, saves_s))
        saving.kill()
        saving.join()
        kept = standing.recall(file, ("larch",), False, 1_772_338_322_000).enclosures["larch"]
        assert kept in (LATCHED, OTHER)
        found.add(kept.closings)
        bed = Bed(plan_of(), {"soil": 10.0, "air": 10.0}, kept).run(60)
        on_s += len(bed.on_seconds(0))
    seen("D05", on_s)
    assert found == {0, 9}, "both were seen, so the kills did fall between saves"


@pytest.mark.parametrize(("recorded", "told"), [(5, False), (20, True)])
def test_d07_a_count_of_closings_that_has_gone_back_is_told_and_goes_on(
    tmp_path: Path, recorded: int, told: bool
) -> None:
    """D07: fewer closings than runs on record raise an alert; the count goes on from the record."""
    bench = Bench(tmp_path)
    with closing(open_writer(bench.data / "readings.db", READINGS)) as connection:
        for number in range(recorded):
            runs.begin(connection, "larch", 1_772_338_322_000 + number * 10_000)
            runs.finish(connection, "larch", 1_772_338_322_000 + number * 10_000 + 5000, "test")
    with bench:
        until("the controller speaks", bench.spy.status, STARTS_S)
        assert ("counter" in bench.spy.alerts()) is told
        saved = standing.from_text((bench.data / "standing.json").read_text(encoding="utf-8")).enclosures["larch"]
        assert saved.closings == (recorded if told else 0)
        assert saved.proved_ms is None


@pytest.mark.parametrize(("lag_s", "told"), [(6000.0, True), (700.0, False)])
def test_p23_a_probe_that_answers_ten_times_later_than_at_the_last_proof_test_is_told(
    tmp_path: Path, lag_s: float, told: bool
) -> None:
    """P23: compared at the proof test, and an alert at the controller until another proof test says otherwise."""
    bench = Bench(tmp_path)
    pulse = criteria.answered("soil-10", 0.31, lag_s, 600.0)
    outcome = Outcome("heat-pulse", "", "", Result.PASSED, pulse.said, pulse.figures)
    account = Account("larch", "keeper", "a test", 1_772_338_322_000, 60.0, False, False, (outcome,))
    with closing(open_writer(bench.data / "journal.db", JOURNAL)) as connection:
        journal.append(connection, [entry_of(account, 1)])
    with bench:
        until("the controller speaks", bench.spy.status, 30.0)
        assert ("probe-slow" in bench.spy.alerts()) is told


def test_k09_an_opening_that_is_lost_ends_with_the_lease(tmp_path: Path) -> None:
    """K09: the node never hears "off"; its own lease opens the contact, and the report shows it."""
    with Bench(tmp_path) as bench:
        bench.heat()
        bench.node_link.lost_down = True
        bench.ask("disarm")
        seen("K09", bench.open_within(LEASE_S + LOOK_S), LEASE_S + LOOK_S)
        until("the controller sees it open", lambda: bench.spy.status()["heat"]["contact"] is False, 10.0)
