"""Orders as they changed: what was decided for a relay, when, and which conditions for heat were missing then."""

import json
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class OrderChanged:
    """From `at_ms` [ms UTC] on, this was ordered; `missing` names the permissives that did not hold."""

    enclosure: str
    at_ms: int
    on: bool
    armed: bool
    because: str
    missing: tuple[str, ...]


def add(connection: sqlite3.Connection, change: OrderChanged) -> None:
    """Keep one change."""
    connection.execute(
        "INSERT INTO order_change (enclosure, at_ms, is_on, is_armed, because, missing) VALUES (?, ?, ?, ?, ?, ?)",
        (change.enclosure, change.at_ms, change.on, change.armed, change.because, json.dumps(change.missing)),
    )


def between(connection: sqlite3.Connection, enclosure: str, start_ms: int, end_ms: int) -> Iterator[OrderChanged]:
    """Yield an enclosure's changes in [start_ms, end_ms] [ms UTC], in the order they were decided."""
    found = connection.execute(
        "SELECT at_ms, is_on, is_armed, because, missing FROM order_change "
        "WHERE enclosure = ? AND at_ms BETWEEN ? AND ? ORDER BY id",
        (enclosure, start_ms, end_ms),
    )
    for at_ms, is_on, is_armed, because, missing in found:
        yield OrderChanged(enclosure, at_ms, bool(is_on), bool(is_armed), because, tuple(json.loads(missing)))
