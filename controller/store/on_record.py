"""Which readings are on record already: asked of every one that is older than its probe's newest.

A node that catches up after an outage, once it speaks again, sends hours of those; so what was looked up is remembered.
"""

import sqlite3
from collections.abc import Iterable

from controller.store import blocks, shelves
from controller.store.blocks import Row
from controller.store.readings import HOUR_MS
from controller.store.stretch import EVER_MS, Stretches

MOST_HOURS = 200
"""Hours of a probe remembered: 45 kB each where it speaks every 10 s (measured), 9 MB of all."""


class OnRecord:
    """When each probe's readings were taken that wait in the tail, and those of hours that were asked about.

    Only shelves and hours that late readings fall into are looked at; the writer tells what it adds and packs.
    """

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection
        self._waiting: dict[int, dict[int, set[int]]] = {}
        self._hours: dict[tuple[int, int], frozenset[int]] = {}

    def has(self, probe: int, taken_ms: int) -> bool:
        """Whether a probe's reading taken at an instant [ms UTC] is in the tail or in a block."""
        shelf = shelves.shelf_of(probe)
        if shelf not in self._waiting:
            self._waiting[shelf] = {}
            self.add(shelf, Stretches(self._connection).all_waiting(shelf))
        if taken_ms in self._waiting[shelf].get(probe, ()):
            return True
        return taken_ms in self._packed(probe, taken_ms - taken_ms % HOUR_MS)

    def next_ms(self, probe: int, taken_ms: int) -> int:
        """Return when [ms UTC] the first reading after a late one on record was taken; `EVER_MS` if there is none."""
        hour_ms = taken_ms - taken_ms % HOUR_MS
        near_ms = (*self._waiting[shelves.shelf_of(probe)].get(probe, ()), *self._packed(probe, hour_ms))
        first_ms = min((each for each in near_ms if each > taken_ms), default=EVER_MS)
        packed = Stretches(self._connection).blocks(probe, hour_ms + HOUR_MS, first_ms)
        return min(first_ms, next((row[1] for block in packed for row in blocks.unpack(block)), EVER_MS))

    def _packed(self, probe: int, hour_ms: int) -> frozenset[int]:
        """Return when [ms UTC] the readings of a probe's hour were taken that lie in a block."""
        key = probe, hour_ms
        if key not in self._hours:
            if len(self._hours) >= MOST_HOURS:
                self._hours.clear()
            packed = Stretches(self._connection).blocks(probe, hour_ms, hour_ms + HOUR_MS)
            self._hours[key] = frozenset(row[1] for block in packed for row in blocks.unpack(block))
        return self._hours[key]

    def add(self, shelf: int, rows: Iterable[Row]) -> None:
        """Note rows that went to the tail of a shelf, if anybody has asked about it."""
        if shelf in self._waiting:
            for probe, taken_ms, *_ in rows:
                self._waiting[shelf].setdefault(probe, set()).add(taken_ms)

    def packed(self, block: int, rows: Iterable[Row]) -> None:
        """Note that rows lie in a block by now, and wait no more."""
        hour_ms, probe = shelves.block_place(block)
        taken = {row[1] for row in rows}
        if (probe, hour_ms) in self._hours:
            self._hours[probe, hour_ms] |= taken
        self._waiting.get(shelves.shelf_of(probe), {}).get(probe, set()).difference_update(taken)
