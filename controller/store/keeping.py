"""Keeping readings: each once, a batch of them as one short row at the end of the file.

A memory card writes whole pages whatever the size of a change, so a batch goes to one place. What makes the record
small and quick to read, packing, comes later (`packing`).
"""

import sqlite3
from collections import deque
from collections.abc import Iterable, Iterator, Sequence

from controller.clock import OLDEST_BELIEVABLE_MS
from controller.errors import StoreError
from controller.status import Grade
from controller.store import blocks, packing, shelves
from controller.store.blocks import Row
from controller.store.connection import transaction
from controller.store.known_probe import KnownProbe
from controller.store.on_record import OnRecord
from controller.store.readings import StoredReading
from controller.store.receipts import Receipt, pack
from controller.store.stretch import EVER_MS, Stretches
from controller.store.sums import DAY_MS

LEAST, MOST = -273.15, 1e6
"""The widest bounds on a value that any unit of ours allows: 0 K below, beyond any light or current above."""
LATEST_MS = EVER_MS - 1
CLOSE_AT_ONCE = 16
"""Probes whose day is closed in one transaction: they share pages."""
PACK_ROWS = 50_000
"""Rows of a shelf's tail that are packed whatever the hour; some 10 MB while that is done."""
_DONE = object()
_GRADES = frozenset(each.value for each in Grade)


class Keeping:
    """The one who writes readings through a connection; it remembers the newest reading of each probe.

    After an error nothing it remembers may be relied on: make a new one.
    """

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection
        self._probes: dict[tuple[str, str], KnownProbe] = {}
        self._tails: dict[int, packing.Tail] = {}
        self._work: Iterator[None] | None = None
        self._on_record = OnRecord(connection)
        waiting = Stretches(connection).newest_waiting()
        for enclosure, name, number, quantity, unit, newest_ms, closed_ms in connection.execute(_KNOWN).fetchall():
            taken_ms = max(newest_ms, waiting.get(number, (0, 0))[0])
            self._probes[enclosure, name] = KnownProbe(number, quantity, unit, taken_ms, closed_ms)
            shelf = shelves.shelf_of(number)
            if shelf not in self._tails:
                self._tails[shelf] = packing.tail_of(connection, shelf)

    def add(self, batch: Sequence[StoredReading], receipts: Sequence[Receipt] = ()) -> int:
        """Keep a batch, all or none, with the receipts of the messages it came in.

        A redelivered reading (same probe, same `taken_ms`) is kept once, as it was first told. A refused reading is
        kept but never rolled up. One that is not in order is also noted in `late`, for whoever copies the record.

        Returns
        -------
        int
            How many were new.

        Raises
        ------
        StoreError
            If a value, time or grade cannot be, or a probe now reports in another unit; nothing of the batch is kept.
        """
        with transaction(self._connection):
            probes = [self._probe(item) for item in batch]
            new = self._new(batch, probes)
            by_number = {probe.number: probe for probe in probes}
            late = [row for row in new if not by_number[row[0]].goes_on(row[1])]
            self._connection.executemany(_NOTE, [row[:2] for row in late])
            self._append(new, receipts)
            for row in {row[0]: row for row in late}.values():
                self._resume(by_number[row[0]], row)
        for row in new:
            by_number[row[0]].take(row[1])
        return len(new)

    def pack(self, now_ms: int) -> bool:
        """Do one piece of what is due at `now_ms` [ms UTC], some ten milliseconds; False if nothing is."""
        if self._work is None:
            self._work = self._due(now_ms)
        if self._work is None:
            return False
        if next(self._work, _DONE) is _DONE:
            self._work = None
        return True

    @property
    def is_packing(self) -> bool:
        """Whether a piece of something begun is left to do."""
        return self._work is not None

    def pack_much(self) -> None:
        """Pack each shelf in whose tail there is much, and roll up the days that every probe has gone past.

        What takes in a great deal keeps its tail short by this, and has little left to do at its end.
        """
        full = [shelf for shelf, tail in self._tails.items() if tail.rows >= PACK_ROWS]
        self._do(self._pack(shelf, EVER_MS) for shelf in full)
        if full:
            past_ms = min(probe.newest_ms for probe in self._probes.values())
            self._close_all(past_ms - past_ms % DAY_MS)

    def pack_all(self) -> None:
        """Pack all there is, and roll up every day before the newest reading's: it is the end of what was taken in."""
        self._leave(self._probes.values())
        self._do(self._pack(shelf, EVER_MS) for shelf in self._tails)
        newest_ms = max((probe.newest_ms for probe in self._probes.values()), default=0)
        self._close_all(newest_ms - newest_ms % DAY_MS)

    def _due(self, now_ms: int) -> Iterator[None] | None:
        for shelf, tail in self._tails.items():
            before_ms = packing.due_before_ms(tail, shelf, now_ms)
            if before_ms is not None or tail.rows >= PACK_ROWS:
                return self._pack(shelf, before_ms or EVER_MS)
        open_still = self._open(now_ms - now_ms % DAY_MS) if self._settled(now_ms) else []
        return self._close(open_still[:CLOSE_AT_ONCE], now_ms - now_ms % DAY_MS) if open_still else None

    def _do(self, works: Iterable[Iterator[None]]) -> None:
        """Do all of it now, after what was begun."""
        for work in (self._work or iter(()), *works):
            deque(work, maxlen=0)
        self._work = None

    def _pack(self, shelf: int, before_ms: int) -> Iterator[None]:
        packed = yield from packing.pack(self._connection, shelf, before_ms)
        self._tails[shelf] = packing.tail_of(self._connection, shelf)
        for piece in packing.pieces(packed.items(), lambda each: len(each[1])):
            yield
            for block, rows in piece:
                self._on_record.packed(block, rows)

    def _open(self, today_ms: int) -> list[KnownProbe]:
        return [probe for probe in self._probes.values() if probe.closed_ms < today_ms]

    def _close_all(self, today_ms: int) -> None:
        open_still = self._open(today_ms)
        self._do(
            self._close(open_still[at : at + CLOSE_AT_ONCE], today_ms)
            for at in range(0, len(open_still), CLOSE_AT_ONCE)
        )

    def _close(self, probes: list[KnownProbe], today_ms: int) -> Iterator[None]:
        yield from packing.close(self._connection, [probe.number for probe in probes], today_ms)
        for probe in probes:
            probe.closed_ms = today_ms

    def _settled(self, now_ms: int) -> bool:
        """Whether the last hour of yesterday is packed by now."""
        return now_ms % DAY_MS >= packing.SETTLE_MS + packing.TURNS * packing.APART_MS

    def _new(self, batch: Sequence[StoredReading], probes: Iterable[KnownProbe]) -> list[Row]:
        """Return the rows that are not there yet, by probe and time: newer than all before, or not told before."""
        rows: dict[tuple[int, int], Row] = {}
        for item, probe in zip(batch, probes, strict=True):
            key = (probe.number, item.taken_ms)
            if not probe.goes_on(item.taken_ms) and self._on_record.has(*key):
                continue
            # Adding nothing makes -0.0 the 0.0 that it equals.
            rows.setdefault(key, (*key, item.arrived_ms, item.value + 0.0, item.grade))
        return [rows[key] for key in sorted(rows)]

    def _resume(self, probe: KnownProbe, late: Row) -> None:
        """Let a probe go on in order from a late reading on, if the newest was heard by a clock a day ahead of ours."""
        _, taken_ms, heard_ms, *_ = late
        if not OLDEST_BELIEVABLE_MS <= heard_ms < probe.newest_ms - DAY_MS:
            return
        until_ms = self._on_record.next_ms(probe.number, taken_ms)
        if until_ms - taken_ms >= DAY_MS:
            self._leave([probe])
            self._connection.execute(_RESUME, {"probe": probe.number, "after": taken_ms, "until": until_ms})
            probe.reached_ms, probe.until_ms = taken_ms, until_ms

    def _leave(self, probes: Iterable[KnownProbe]) -> None:
        """Note the last reading from where probes went on: nothing will pass its minute and hour, to have them sent."""
        left = [(probe.number, probe.reached_ms) for probe in probes if probe.until_ms]
        self._connection.executemany(_NOTE, left)

    def _append(self, rows: Sequence[Row], receipts: Sequence[Receipt]) -> None:
        by_shelf: dict[int, list[Row]] = {}
        for row in rows:
            by_shelf.setdefault(shelves.shelf_of(row[0]), []).append(row)
        for shelf, part in by_shelf.items():
            tail = self._tails.setdefault(shelf, packing.Tail())
            tail.take(part)
            self._on_record.add(shelf, part)
            key = shelves.tail_ids(shelf)[0] + tail.chunks
            self._connection.execute(_APPEND, (key, *blocks.bounds(part), len(part), blocks.pack(part), pack(receipts)))
            # Once is enough: they are read all together.
            receipts = ()

    def fault_of(self, item: StoredReading) -> Exception | None:
        """Return why a reading can never be kept, or None."""
        try:
            _check(item)
        except (StoreError, TypeError) as error:
            return error
        probe = self._probes.get((item.enclosure, item.probe))
        if probe is None or probe.unit == item.unit:
            return None
        return StoreError(
            f"enclosure {item.enclosure!r}, probe {item.probe!r}: kept in {probe.unit!r} so far "
            f"and now reports {item.unit!r}; give the probe a new name"
        )

    def _probe(self, item: StoredReading) -> KnownProbe:
        """Return the probe of a reading that can be."""
        fault = self.fault_of(item)
        if fault is not None:
            raise fault
        probe = self._probes.get((item.enclosure, item.probe))
        if probe is None:
            named = (item.enclosure, item.probe, item.quantity, item.unit)
            number = self._connection.execute(_NAME, named).lastrowid
            probe = self._probes[item.enclosure, item.probe] = KnownProbe(
                int(number or 0), item.quantity, item.unit, 0, 0
            )
        if probe.quantity != item.quantity:
            self._connection.execute("UPDATE probe SET quantity = ? WHERE id = ?", (item.quantity, probe.number))
            probe.quantity = item.quantity
        return probe


def add(connection: sqlite3.Connection, batch: Sequence[StoredReading]) -> int:
    """Keep one batch; see `Keeping.add`."""
    return Keeping(connection).add(batch)


def _check(item: StoredReading) -> None:
    """Refuse what cannot be: a block has no CHECK of its own."""
    name = f"enclosure {item.enclosure!r}, probe {item.probe!r}"
    if not LEAST <= item.value <= MOST:
        raise StoreError(f"{name}: value {item.value} is outside {LEAST}..{MOST:g}; correct the probe or its unit")
    for what, at_ms in (("taken", item.taken_ms), ("arrived", item.arrived_ms)):
        if not 0 <= at_ms <= LATEST_MS:
            raise StoreError(f"{name}: {what} at {at_ms} ms is outside the years 1970..9999; correct the clock")
    if item.grade not in _GRADES:
        raise StoreError(f"{name}: grade {item.grade!r} is none of {', '.join(sorted(_GRADES))}; correct it")


_KNOWN = "SELECT enclosure, name, id, quantity, unit, newest_ms, closed_ms FROM probe"
_NAME = "INSERT INTO probe (enclosure, name, quantity, unit) VALUES (?, ?, ?, ?)"
_NOTE = "INSERT INTO late (probe_id, taken_ms) VALUES (?, ?)"
# One that was made before a restart goes on: whoever copies the record has got no farther in it than it is told.
_RESUME = """INSERT INTO resumed (probe_id, after_ms, until_ms) SELECT :probe, :after, :until
WHERE NOT EXISTS (SELECT 1 FROM resumed WHERE probe_id = :probe AND after_ms <= :after AND until_ms = :until)"""
_APPEND = """INSERT INTO tail
(id, taken_least_ms, taken_most_ms, heard_least_ms, heard_most_ms, count, packed, receipts)
VALUES (?, ?, ?, ?, ?, ?, ?, nullif(?, x''))"""
