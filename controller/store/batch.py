"""What is sent at once, and how far each line of the record will have been sent once it is there."""

import sqlite3
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from itertools import islice
from typing import TypeVar

from influxdb_client import Point

MOST_READINGS = 4000
"""Readings in one batch where few probes are: half of them shared out evenly, half for those that have more to say.
With their minutes and hours about half a megabyte of line protocol. As many late ones, and runs, at the most."""
LEAST_SHARE = 16
"""Readings of each probe in one batch, at least, however many probes there are: to look at all of them for less costs
more than it sends. Source: engineering judgement."""
MOST_OTHERS = 500
"""Explanations and journal entries in one batch."""
Item = TypeVar("Item")


@dataclass(slots=True)
class Batch:
    """Points to send, gathered line by line.

    Parameters
    ----------
    sent
        How far each line was sent before, by its whole name.
    record
        The record's own name, before those of its lines: another record in its place has lines of its own.
    cursors
        How far lines will have been sent once it is there, where that is further; by their whole names.
    oldest_ms
        [ms UTC] when the first reading of it was taken, or None where it holds none.
    full
        Whether more may be waiting already.
    trouble
        Why it holds nothing of the journal, though more of that may be waiting; or "".
    """

    sent: Mapping[str, int]
    record: str
    points: list[Point] = field(default_factory=list)
    cursors: dict[str, int] = field(default_factory=dict)
    oldest_ms: int | None = None
    full: bool = False
    trouble: str = ""

    def reached(self, line: str, nothing: int = 0) -> int:
        """Return how far a line of the record will have been sent, or `nothing` where none of it was or will be."""
        name = f"{self.record}/{line}"
        return self.cursors.get(name, self.sent.get(name, nothing))

    def reach(self, line: str, so_far: int) -> None:
        """Note how far a line of the record will have been sent."""
        self.cursors[f"{self.record}/{line}"] = so_far

    def on_record(self, record: sqlite3.Connection, line: str, table: str) -> int:
        """Return how far a numbered table was sent; anew where its last number is below: a backup was put back."""
        (last,) = record.execute(f"SELECT coalesce(max(id), 0) FROM {table}").fetchone()
        reached = self.reached(line)
        return reached if reached <= last else 0

    def some(self, found: Iterable[Item], most: int) -> list[Item]:
        """Return the first of what is left of a line; where that is all that may go at once, more may be waiting."""
        taken = list(islice(found, most))
        self.full |= len(taken) == most
        return taken
