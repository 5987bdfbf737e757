"""The weather that somebody has fed in: one forecast at a time, the newest; written by the API, read by the planner."""

import sqlite3
from collections.abc import Sequence

from controller.control.outlook import Expectation
from controller.store.connection import transaction

SCHEMA = """
CREATE TABLE forecast (
    at_ms INTEGER PRIMARY KEY CHECK (at_ms BETWEEN 0 AND 253402300799999),
    outside_c REAL NOT NULL CHECK (outside_c BETWEEN -90 AND 60),
    light_w_m2 REAL CHECK (light_w_m2 BETWEEN 0 AND 1500)
) STRICT;
CREATE TABLE forecast_given (
    id INTEGER PRIMARY KEY CHECK (id = 1),
    at_ms INTEGER NOT NULL CHECK (at_ms BETWEEN 0 AND 253402300799999),
    who TEXT NOT NULL
) STRICT;
"""


HISTORY = """
CREATE TABLE fed_night (
    night TEXT PRIMARY KEY CHECK (night LIKE '____-__-__'),
    lowest_c REAL NOT NULL CHECK (lowest_c BETWEEN -90 AND 60),
    at_ms INTEGER NOT NULL CHECK (at_ms BETWEEN 0 AND 253402300799999)
) STRICT, WITHOUT ROWID;
"""
"""What was last said of each night, named by its evening, before it began."""


def put_night(connection: sqlite3.Connection, night: str, lowest_c: float, at_ms: int) -> None:
    """Keep the lowest [Cel] that a forecast gives for a night, in place of what one before it gave."""
    connection.execute(
        "INSERT INTO fed_night (night, lowest_c, at_ms) VALUES (?, ?, ?) "
        "ON CONFLICT (night) DO UPDATE SET lowest_c = excluded.lowest_c, at_ms = excluded.at_ms",
        (night, lowest_c, at_ms),
    )


def nights_fed(connection: sqlite3.Connection) -> dict[str, float]:
    """Return by night the lowest [Cel] that was fed in for it."""
    return dict(connection.execute("SELECT night, lowest_c FROM fed_night").fetchall())


def put(connection: sqlite3.Connection, expected: Sequence[Expectation], at_ms: int, who: str) -> None:
    """Replace the forecast by another, given at an instant [ms UTC]."""
    with transaction(connection):
        connection.execute("DELETE FROM forecast")
        connection.executemany(
            "INSERT INTO forecast (at_ms, outside_c, light_w_m2) VALUES (?, ?, ?)",
            [(each.at_ms, each.outside_c, each.light_w_m2) for each in expected],
        )
        connection.execute(
            "INSERT INTO forecast_given (id, at_ms, who) VALUES (1, ?, ?) "
            "ON CONFLICT (id) DO UPDATE SET at_ms = excluded.at_ms, who = excluded.who",
            (at_ms, who),
        )


def expected_from(connection: sqlite3.Connection, start_ms: int) -> list[Expectation]:
    """Return what is expected from an instant [ms UTC] on, in order of time."""
    found = connection.execute(
        "SELECT at_ms, outside_c, light_w_m2 FROM forecast WHERE at_ms >= ? ORDER BY at_ms", (start_ms,)
    )
    return [Expectation(*row) for row in found]


def given(connection: sqlite3.Connection) -> tuple[int, str] | None:
    """Return when [ms UTC] and by whom the forecast was given, or None."""
    row = connection.execute("SELECT at_ms, who FROM forecast_given").fetchone()
    return None if row is None else (int(row[0]), str(row[1]))
