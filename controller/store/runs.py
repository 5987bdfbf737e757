"""Heater runs, each closed-contact interval as the node reported it, and orders: written as they happen."""

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass

from controller.store import orders
from controller.store.columns import DamagedBlockError
from controller.store.connection import transaction
from controller.store.orders import OrderChanged
from controller.store.stretch import Stretches
from controller.store.use import HOUR_MS, By, HeaterUse, summary

__all__ = [
    "By",
    "HeaterUse",
    "RunBegan",
    "RunEnded",
    "RunEnergy",
    "RunEvent",
    "RunExplained",
    "add_energy",
    "apply",
    "begin",
    "explain",
    "finish",
    "finish_left_open",
    "summary",
]


@dataclass(frozen=True, slots=True)
class RunBegan:
    """The node reported the contact closed at `at_ms` [ms UTC]."""

    enclosure: str
    at_ms: int


@dataclass(frozen=True, slots=True)
class RunEnergy:
    """The heater drew `joules` [J] more in the run now open."""

    enclosure: str
    joules: float


@dataclass(frozen=True, slots=True)
class RunEnded:
    """The contact opened at `at_ms` [ms UTC]; `ended_by` says what opened it."""

    enclosure: str
    at_ms: int
    ended_by: str


@dataclass(frozen=True, slots=True)
class RunExplained:
    """More has become known of why the latest run ended: `words` go behind what was said."""

    enclosure: str
    words: str


RunEvent = RunBegan | RunEnergy | RunEnded | RunExplained | OrderChanged


def begin(connection: sqlite3.Connection, enclosure: str, at_ms: int) -> bool:
    """Open a run at `at_ms` [ms UTC]; while one is open this changes nothing and returns False."""
    found = connection.execute(
        "INSERT INTO heater_run (enclosure, start_ms) VALUES (?, ?) "
        "ON CONFLICT (enclosure) WHERE end_ms IS NULL DO NOTHING",
        (enclosure, at_ms),
    )
    return found.rowcount == 1


def add_energy(connection: sqlite3.Connection, enclosure: str, joules: float) -> bool:
    """Add `joules` [J] to the open run; False if none is open."""
    found = connection.execute(
        "UPDATE heater_run SET energy_j = coalesce(energy_j, 0) + ? WHERE enclosure = ? AND end_ms IS NULL",
        (joules, enclosure),
    )
    return found.rowcount == 1


def finish(connection: sqlite3.Connection, enclosure: str, at_ms: int, ended_by: str) -> bool:
    """Close the open run at `at_ms` [ms UTC], never before its start; False if none is open."""
    found = connection.execute(
        "UPDATE heater_run SET end_ms = max(start_ms, ?), ended_by = ? WHERE enclosure = ? AND end_ms IS NULL",
        (at_ms, ended_by, enclosure),
    )
    return found.rowcount == 1


def explain(connection: sqlite3.Connection, enclosure: str, words: str) -> bool:
    """Add words to why the latest run ended, and note it for whoever copied that; False if it has not, or is none."""
    with transaction(connection):
        found = connection.execute(
            "UPDATE heater_run SET ended_by = ended_by || ? WHERE ended_by IS NOT NULL "
            "AND id = (SELECT max(id) FROM heater_run WHERE enclosure = ?) RETURNING id",
            (words, enclosure),
        ).fetchall()
        connection.executemany("INSERT INTO explained (run_id) VALUES (?)", found)
    return len(found) == 1


def count(connection: sqlite3.Connection) -> dict[str, int]:
    """Return by enclosure how many runs there are."""
    return dict(connection.execute("SELECT enclosure, count(*) FROM heater_run GROUP BY enclosure").fetchall())


def ended_since(connection: sqlite3.Connection, since_ms: int) -> dict[str, list[tuple[int, int]]]:
    """Return by enclosure the start and end [ms UTC] of the runs that ended after `since_ms` [ms UTC], oldest first."""
    found: dict[str, list[tuple[int, int]]] = {}
    query = "SELECT enclosure, start_ms, end_ms FROM heater_run WHERE end_ms > ? ORDER BY start_ms"
    for enclosure, start_ms, end_ms in connection.execute(query, (since_ms,)):
        found.setdefault(enclosure, []).append((start_ms, end_ms))
    return found


def finish_left_open(connection: sqlite3.Connection, lease_s: float) -> int:
    """Close the runs a stopped controller left open; call once at start, before anything is written.

    Nobody saw them end. The node can have kept heat on at most one lease [s] after the controller's last sign of life,
    which is the enclosure's latest arrival on disk, so that is where they end.

    Returns
    -------
    int
        How many there were.
    """
    with transaction(connection):
        left = connection.execute("SELECT enclosure, start_ms FROM heater_run WHERE end_ms IS NULL").fetchall()
        try:
            last_ms = _last_signs_ms(connection, left)
        except DamagedBlockError:
            # Whoever writes meets it as well, and begins the record anew: a start must not end here, again and again.
            last_ms = dict(left)
        for enclosure, _ in left:
            finish(connection, enclosure, last_ms[enclosure] + round(lease_s * 1000), "controller stopped")
    return len(left)


def _last_signs_ms(connection: sqlite3.Connection, left: Sequence[tuple[str, int]]) -> dict[str, int]:
    """Return by enclosure when [ms UTC] it was last heard since a run (enclosure, start [ms UTC]) began."""
    heard_ms = _last_heard_ms(connection) if left else {}
    signs_ms = {enclosure: max(start_ms, heard_ms.get(enclosure, 0)) for enclosure, start_ms in left}
    for enclosure, start_ms in left:
        # No run is so long. A clock that was once years ahead has left readings that were heard then.
        if signs_ms[enclosure] - start_ms > HOUR_MS:
            signs_ms[enclosure] = _heard_on_ms(connection, start_ms)
    return signs_ms


def _heard_on_ms(connection: sqlite3.Connection, last_ms: int) -> int:
    """Return until when [ms UTC] any probe was heard, from an instant on, with no hour of silence."""
    record = Stretches(connection)
    while (next_ms := record.last_heard_ms(last_ms + 1, last_ms + HOUR_MS)) is not None:
        last_ms = next_ms
    return last_ms


def _last_heard_ms(connection: sqlite3.Connection) -> dict[str, int]:
    """Return when [ms UTC] each enclosure was last heard, packed or not."""
    waiting = Stretches(connection).newest_waiting()
    last_ms: dict[str, int] = {}
    for probe, enclosure, heard_ms in connection.execute("SELECT id, enclosure, heard_ms FROM probe"):
        last_ms[enclosure] = max(last_ms.get(enclosure, 0), heard_ms, waiting.get(probe, (0, 0))[1])
    return last_ms


def apply(connection: sqlite3.Connection, event: RunEvent) -> bool:
    """Write one event; False if it changed nothing."""
    match event:
        case RunBegan(enclosure, at_ms):
            return begin(connection, enclosure, at_ms)
        case RunEnergy(enclosure, joules):
            return add_energy(connection, enclosure, joules)
        case RunEnded(enclosure, at_ms, ended_by):
            return finish(connection, enclosure, at_ms, ended_by)
        case RunExplained(enclosure, words):
            return explain(connection, enclosure, words)
        case OrderChanged():
            orders.add(connection, event)
            return True
