"""Readings read back from blocks and tail, probe by probe, in the order they were taken or heard."""

import json
import sqlite3
import struct
from collections.abc import Iterator
from functools import lru_cache

from controller.store import blocks, shelves
from controller.store.blocks import Row
from controller.store.columns import DamagedBlockError, NewerBlockError
from controller.store.readings import HOUR_MS

EVER_MS = 253_402_300_800_000
"""[ms UTC] the end of the year 9999."""
HOURS_AT_ONCE = 240
"""Blocks looked for in one go: some 90 000 readings of a probe that speaks every 10 s."""


class Stretches:
    """One state of the record. What is packed meanwhile would come twice or not at all: use it within a `snapshot`.

    The tail of a shelf holds all its probes, so it is unpacked once for all of them.
    """

    def __init__(self, connection: sqlite3.Connection) -> None:
        self.connection = connection
        self._tails: dict[int, dict[int, list[Row]]] = {}

    def rows(self, probe: int, start_ms: int, end_ms: int) -> Iterator[Row]:
        """Yield what a probe said in [start_ms, end_ms) [ms UTC], by the time it was taken."""
        waiting = self.tail(probe, start_ms, end_ms)
        for packed in self.blocks(probe, start_ms, end_ms):
            kept = [row for row in blocks.unpack(packed) if start_ms <= row[1] < end_ms]
            if waiting and kept and waiting[0][1] < kept[-1][1]:
                early = sum(1 for row in waiting if row[1] < kept[-1][1])
                kept, waiting = sorted([*kept, *waiting[:early]]), waiting[early:]
            yield from kept
        yield from waiting

    def tail(self, probe: int, start_ms: int, end_ms: int) -> list[Row]:
        """Return what waits to be packed of what a probe said in [start_ms, end_ms) [ms UTC], as it was taken."""
        first, last = shelves.tail_ids(shelves.shelf_of(probe))
        if self.connection.execute(_TOUCHES, (first, last, end_ms, start_ms)).fetchone() is None:
            return []
        return sorted(row for row in self.waiting(probe) if start_ms <= row[1] < end_ms)

    def waiting(self, probe: int) -> list[Row]:
        """Return all that waits to be packed of a probe, as it came."""
        shelf = shelves.shelf_of(probe)
        if shelf not in self._tails:
            tail = self._tails[shelf] = {}
            for row in self.all_waiting(shelf):
                tail.setdefault(row[0], []).append(row)
        return self._tails[shelf].get(probe, [])

    def newest_waiting(self) -> dict[int, tuple[int, int]]:
        """Return by probe when [ms UTC] the newest of what waits to be packed was taken, and when it was heard."""
        newest: dict[int, tuple[int, int]] = {}
        for (packed,) in self.connection.execute(_ALL_WAITING):
            for probe, taken_ms, heard_ms, *_ in blocks.unpack(packed):
                before_ms = newest.get(probe, (0, 0))
                newest[probe] = max(taken_ms, before_ms[0]), max(heard_ms, before_ms[1])
        return newest

    def all_waiting(self, shelf: int) -> Iterator[Row]:
        """Yield all that waits to be packed of a shelf, as it came."""
        for packed in self.tail_packed(shelf):
            yield from blocks.unpack(packed)

    def tail_packed(self, shelf: int) -> tuple[bytes, ...]:
        """Return all that waits to be packed of a shelf as it lies there, as it came."""
        return tuple(packed for (packed,) in self.connection.execute(_TAIL, shelves.tail_ids(shelf)))

    def blocks(self, probe: int, start_ms: int, end_ms: int) -> Iterator[bytes]:
        """Yield a probe's blocks of the hours that touch [start_ms, end_ms) [ms UTC], oldest first: one seek each."""
        at_ms = self._next_ms(start_ms)
        while at_ms is not None and at_ms < end_ms:
            hours = range(at_ms, min(at_ms + HOURS_AT_ONCE * HOUR_MS, end_ms), HOUR_MS)
            keys = json.dumps([shelves.block_id(hour_ms, probe) for hour_ms in hours])
            # Not fetched at once: who wants the first few reads no more.
            yield from (row[0] for row in self.connection.execute(_HOURS, (keys,)))
            at_ms = self._next_ms(hours[-1] + HOUR_MS)

    def hours(self, probe: int, start_ms: int, end_ms: int) -> list[int]:
        """Return the start [ms UTC] of each hour that touches [start_ms, end_ms), and has a block of a probe."""
        keys = [shelves.block_id(hour_ms, probe) for hour_ms in range(start_ms - start_ms % HOUR_MS, end_ms, HOUR_MS)]
        found = self.connection.execute(_THERE, (json.dumps(keys),)).fetchall()
        return [shelves.block_place(row[0])[0] for row in found]

    def _next_ms(self, at_ms: int) -> int | None:
        """Return the first hour [ms UTC] from that of an instant on that has a block of any probe.

        A clock that was once years ahead leaves readings beyond hundreds of thousands of empty hours.
        """
        found = self.connection.execute(_NEXT, (shelves.block_id(at_ms, 0),)).fetchone()
        return None if found is None else shelves.block_place(found[0])[0]

    def heard(self, probes: list[int], start_ms: int, end_ms: int) -> Iterator[Row]:
        """Yield what the probes said that was heard in [start_ms, end_ms] [ms UTC], in that order, a day in memory."""
        for low_ms in range(start_ms, end_ms + 1, 24 * HOUR_MS):
            high_ms = min(low_ms + 24 * HOUR_MS - 1, end_ms)
            found = [
                row
                for table in ("block", "tail")
                for (packed,) in self.connection.execute(_HEARD.format(table=table), (high_ms, low_ms))
                for row in blocks.unpack(packed)
                if low_ms <= row[2] <= high_ms and row[0] in probes
            ]
            yield from sorted(found, key=lambda row: (row[2], row[1], row[0]))

    def last_heard_ms(self, start_ms: int, end_ms: int) -> int | None:
        """Return when [ms UTC] the last reading was heard of those heard in [start_ms, end_ms], or None."""
        last_ms = None
        for table in ("tail", "block"):
            for packed, most_ms in self.connection.execute(_LATEST.format(table=table), (end_ms, start_ms)):
                if last_ms is not None and most_ms <= last_ms:
                    break
                heard_ms = [row[2] for row in blocks.unpack(packed) if start_ms <= row[2] <= end_ms]
                last_ms = max([*heard_ms, *([] if last_ms is None else [last_ms])], default=None)
        return last_ms


class ThriftyStretches(Stretches):
    """The same in a tenth of the memory, a little slower, and a tail that is still as it was is not unpacked again: for
    who looks at thousands of probes, of which a million readings may wait, and for pages.
    """

    def __init__(self, connection: sqlite3.Connection) -> None:
        super().__init__(connection)
        self._packed: dict[int, dict[int, bytearray]] = {}

    def waiting(self, probe: int) -> list[Row]:
        """Return all that waits to be packed of a probe, as it came."""
        shelf = shelves.shelf_of(probe)
        if shelf not in self._packed:
            self._packed[shelf] = _by_probe(self.tail_packed(shelf))
        found = _WAITING.iter_unpack(self._packed[shelf].get(probe, b""))
        return [(probe, taken_ms, heard_ms, value, blocks.GRADES[code]) for taken_ms, heard_ms, value, code in found]


class LegibleStretches(ThriftyStretches):
    """The same without the blocks that a card has spoilt: for who copies what can be read. `spoilt` says so, or ""."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        super().__init__(connection)
        self.spoilt = ""

    def blocks(self, probe: int, start_ms: int, end_ms: int) -> Iterator[bytes]:
        for packed in super().blocks(probe, start_ms, end_ms):
            try:
                blocks.opened(packed)
            except NewerBlockError:
                raise
            except DamagedBlockError as error:
                self.spoilt = str(error)
            else:
                yield packed


_WAITING = struct.Struct("<qqdB")
"""Taken and heard [ms UTC], value, code of the grade."""


@lru_cache(maxsize=4)  # a page reads a tail for each of its enclosures, and until the next commit it is the same
def _by_probe(tail: tuple[bytes, ...]) -> dict[int, bytearray]:
    """Return what waits of each probe, as `_WAITING` lays it out."""
    found: dict[int, bytearray] = {}
    for packed in tail:
        for number, taken_ms, heard_ms, value, grade in blocks.unpack(packed):
            row = _WAITING.pack(taken_ms, heard_ms, value, blocks.CODES[grade])
            found.setdefault(number, bytearray()).extend(row)
    return found


_NEXT = "SELECT id FROM block WHERE id >= ? ORDER BY id LIMIT 1"
_HOURS = "SELECT packed FROM json_each(?) AS hour CROSS JOIN block ON block.id = hour.value ORDER BY hour.key"
_THERE = "SELECT block.id FROM json_each(?) AS hour CROSS JOIN block ON block.id = hour.value"
# CROSS JOIN holds SQLite to this order: each hour is one seek.
_TAIL = "SELECT packed FROM tail WHERE id BETWEEN ? AND ? ORDER BY id"
_ALL_WAITING = "SELECT packed FROM tail"
_TOUCHES = "SELECT 1 FROM tail WHERE id BETWEEN ? AND ? AND taken_least_ms < ? AND taken_most_ms >= ? LIMIT 1"
_HEARD = "SELECT packed FROM {table} WHERE heard_least_ms <= ? AND heard_most_ms >= ?"
_LATEST = """SELECT packed, heard_most_ms FROM {table} WHERE heard_least_ms <= ? AND heard_most_ms >= ?
ORDER BY heard_most_ms DESC"""
