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
_MARK = "/mark"
"""Ends the name under which is kept what stands at the number that a table was sent to."""
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
    newest_ms
        [ms UTC] when the newest reading on record was taken.
    oldest_ms
        [ms UTC] when the first reading of it was taken, or None where it holds none.
    full
        Whether more may be waiting already.
    trouble
        Why something is left out of it that should be there, perhaps all of it; or "".
    """

    sent: Mapping[str, int]
    record: str
    newest_ms: int
    points: list[Point] = field(default_factory=list)
    cursors: dict[str, int] = field(default_factory=dict)
    oldest_ms: int | None = None
    full: bool = False
    trouble: str = ""

    def name_of(self, line: str) -> str:
        """Return the whole name of a line of the record."""
        return f"{self.record}/{line}"

    def reached(self, line: str, nothing: int = 0) -> int:
        """Return how far a line of the record will have been sent, or `nothing` where none of it was or will be."""
        name = self.name_of(line)
        return self.cursors.get(name, self.sent.get(name, nothing))

    def reached_ms(self, line: str, nothing: int) -> int:
        """Return until when [ms UTC]; none was sent beyond all there is, but where a backup was put back: all anew."""
        reached_ms = self.reached(line, nothing)
        return reached_ms if reached_ms <= self.newest_ms else nothing

    def reach(self, line: str, so_far: int) -> None:
        """Note how far a line of the record will have been sent."""
        self.cursors[self.name_of(line)] = so_far

    def counted(self, record: sqlite3.Connection, name: str, table: str, mark: str) -> int:
        """Return how far a table was sent; where other stands there than was sent, a backup was put back: all anew.

        Parameters
        ----------
        name
            The whole name of its line.
        mark
            The column by which a row is known again.
        """
        reached = self.sent.get(name, 0)
        there = record.execute(f"SELECT {mark} FROM {table} WHERE rowid = ?", (reached,)).fetchone()
        return reached if there and there[0] == self.sent.get(name + _MARK, there[0]) else 0

    def count(self, name: str, number: int, mark: int) -> None:
        """Note how far a table will have been sent, and what stands there."""
        self.cursors |= {name: number, name + _MARK: mark}

    def some(self, found: Iterable[Item], most: int) -> list[Item]:
        """Return the first of what is left of a line; where that is all that may go at once, more may be waiting."""
        taken = list(islice(found, most))
        self.full |= len(taken) == most
        return taken
