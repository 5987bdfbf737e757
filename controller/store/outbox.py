"""What the store elsewhere has not got yet. The record itself is the outbox: only how far it was sent is kept.

Readings go oldest first over all probes, so a remote store that was away for a week fills from its old end. A minute
or hour follows once the readings of its probe have passed it. What came late goes once more, with its minute and hour;
so does what became known later of why a run ended. Where a clock that was ahead was set right, a probe has a line more.
"""

import sqlite3
from collections.abc import Collection, Iterable, Iterator
from contextlib import closing
from dataclasses import dataclass
from heapq import heapify, heappop, heappush
from itertools import islice
from pathlib import Path
from typing import TypeVar

from influxdb_client import Point

from controller.errors import StoreError
from controller.store import rolled, shelves
from controller.store.blocks import Row
from controller.store.columns import DamagedBlockError
from controller.store.connection import open_reader, open_writer, transaction
from controller.store.damage import DamagedError, named
from controller.store.journal import after
from controller.store.lines import Line, lines_of
from controller.store.migrations import OUTBOX
from controller.store.points import Place, Points
from controller.store.readings import HOUR_MS, MINUTE_MS
from controller.store.stretch import LegibleStretches, Stretches
from controller.store.told import Told

MOST_READINGS = 4000
"""Readings in one batch where few probes are: half of them shared out evenly, half for those that have more to say.
With their minutes and hours about half a megabyte of line protocol."""
LEAST_SHARE = 16
"""Readings of each probe in one batch, at least, however many probes there are: to look at all of them for less costs
more than it sends. Source: engineering judgement."""
MOST_OTHERS = 500
"""Late readings, explanations and journal entries in one batch."""
Item = TypeVar("Item")
_WIDTHS = (("minute", MINUTE_MS), ("hour", HOUR_MS))


@dataclass(frozen=True, slots=True)
class Batch:
    """Points to send, and how far each line of the record will have been sent once they are there.

    Parameters
    ----------
    oldest_ms
        [ms UTC] when the first reading of it was taken, or None where it holds none.
    full
        Whether more may be waiting already.
    trouble
        Why something is left out of it that should be there, perhaps all of it; or "".
    """

    points: list[Point]
    cursors: dict[str, int]
    oldest_ms: int | None
    full: bool
    trouble: str = ""


class Outbox:
    """Reads the record of one folder and keeps, in `outbox.db`, how far it was sent.

    Raises
    ------
    StoreError
        If another sender holds the file.
    """

    def __init__(self, folder: Path, points: Points) -> None:
        self._folder, self._points, self._name, self._are_more = folder, points, "", False
        self._newest_ms, self._trouble = 0, ""
        self._lines: dict[str, Line] = {}
        self._own = open_writer(folder / "outbox.db", OUTBOX)
        self._sent: dict[str, int] = dict(self._own.execute("SELECT line, reached FROM cursor").fetchall())

    def next(self) -> Batch | None:
        """Return what goes next, or None when all is sent. The record is only read."""
        points: list[Point] = []
        cursors: dict[str, int] = {}
        self._are_more, self._trouble = False, ""
        file = self._folder / "readings.db"
        with named(file), closing(open_reader(file)) as record:
            # One snapshot for all of it: what is committed meanwhile is either after the cursors or noted as late.
            record.execute("BEGIN")
            self._name = str(record.execute("SELECT record FROM identity").fetchone()[0])
            (self._newest_ms,) = record.execute(_NEWEST).fetchone()
            places, self._lines = _places(record), lines_of(record)
            kept = LegibleStretches(record)
            oldest_ms = self._readings(kept, places, points, cursors)
            self._passed(kept, places, points, cursors)
            self._late(kept, places, points, cursors)
            self._runs(record, points, cursors)
            self._explained(record, points, cursors)
            self._trouble = kept.spoilt or self._trouble
        try:
            self._journal(points, cursors)
        except StoreError as error:
            # A damaged journal, with which nothing heats, keeps no reading back.
            if not cursors:
                raise
            self._trouble = str(error)
        return Batch(points, cursors, oldest_ms, self._are_more, self._trouble) if cursors or self._trouble else None

    def done(self, batch: Batch) -> None:
        """Note that a batch has arrived. Killed before this, it is sent again: same stamps and tags, no point more."""
        with transaction(self._own):
            self._own.executemany(
                "INSERT INTO cursor (line, reached) VALUES (?, ?) "
                "ON CONFLICT (line) DO UPDATE SET reached = excluded.reached",
                batch.cursors.items(),
            )
        self._sent.update(batch.cursors)

    def tell(self, told: Told) -> None:
        """Leave word of how sending fares, for pages and metrics."""
        self._own.execute(
            "INSERT INTO told (id, at_ms, oldest_ms, sent, refused, trouble) VALUES (1, ?, ?, ?, ?, ?) "
            "ON CONFLICT (id) DO UPDATE SET at_ms = excluded.at_ms, oldest_ms = excluded.oldest_ms, "
            "sent = excluded.sent, refused = excluded.refused, trouble = excluded.trouble",
            (told.at_ms, told.oldest_ms, told.sent, told.refused, told.trouble),
        )

    def close(self) -> None:
        """Let the file go."""
        self._own.close()

    def _readings(
        self, record: Stretches, places: dict[int, Place], points: list[Point], cursors: dict[str, int]
    ) -> int | None:
        """Take the oldest unsent readings over all probes; returns when [ms UTC] the first of them was taken."""
        rows, horizon_ms = self._oldest(record)
        self._are_more |= horizon_ms is not None
        taken: list[tuple[int, Point]] = []
        for line, found in rows.items():
            kept = [row for row in found if horizon_ms is None or row[1] <= horizon_ms]
            if kept:
                taken += [(row[1], self._points.reading(places[row[0]], row[1], *row[3:])) for row in kept]
                cursors[self._line(f"probe/{line}")] = kept[-1][1]
        points += [point for _, point in sorted(taken, key=lambda each: each[0])]
        return min((found[0][1] for found in rows.values()), default=None)

    def _oldest(self, record: Stretches) -> tuple[dict[str, list[Row]], int | None]:
        """Return the first unsent readings of each line, and until when [ms UTC] none is left out; None if none is.

        A line that has more than its share ends the batch for all, or newer readings would overtake its older ones.
        So those that speak much oftener than the rest are read on, or each batch would hold next to nothing.
        """
        share = max(MOST_READINGS // 2 // max(len(self._lines), 1) + 1, LEAST_SHARE)
        starts_ms = {each: self._reached(f"probe/{each}", line.after_ms) for each, line in self._lines.items()}
        firsts = {each: _after(record, line, starts_ms[each], share) for each, line in self._lines.items()}
        rows = {each: found for each, found in firsts.items() if found}
        ends = [(found[-1][1], each) for each, found in rows.items() if len(found) == share]
        heapify(ends)
        spare = MOST_READINGS // 2
        while ends and spare > 0:
            reached_ms, each = heappop(ends)
            more = _after(record, self._lines[each], reached_ms, share)
            rows[each] += more
            spare -= len(more)
            if len(more) == share:
                heappush(ends, (more[-1][1], each))
        return rows, ends[0][0] if ends else None

    def _passed(
        self, record: Stretches, places: dict[int, Place], points: list[Point], cursors: dict[str, int]
    ) -> None:
        """Take the minutes and hours that the readings sent by then have passed, some of each probe at a time.

        They have a line of their own: readings may have been taken away by then, and minutes of years be left.
        """
        share = _share(self._lines)
        for each, told in self._lines.items():
            reading = f"probe/{each}"
            reached_ms = cursors.get(self._line(reading), self._reached(reading, told.after_ms))
            for width, width_ms in _WIDTHS:
                line, high_ms = f"{width}/{each}", reached_ms - reached_ms % width_ms
                low_ms = self._reached(line, self._first_ms(told, width_ms) - width_ms) + width_ms
                if low_ms >= high_ms:
                    continue
                end_ms = _two_days_on(record, told.probe, width, low_ms, high_ms)
                self._are_more |= end_ms < high_ms
                for start_ms, said in self._some(self._rolled(record, told.probe, width, low_ms, end_ms), share):
                    if told.tells(start_ms, width_ms):
                        points.append(self._points.roll_up(places[told.probe], width, start_ms, said))
                    cursors[self._line(line)] = start_ms

    def _first_ms(self, line: Line, width_ms: int) -> int:
        """Return where [ms UTC] a line's first minute or hour begins: a whole one, if one told in part stays so."""
        low_ms = line.after_ms + 1
        return low_ms // width_ms * width_ms if self._points.replaces else -(-low_ms // width_ms) * width_ms

    def _late(self, record: Stretches, places: dict[int, Place], points: list[Point], cursors: dict[str, int]) -> None:
        touched: set[tuple[str, int, int]] = set()
        own = self._line("late")
        reached = self._counted(record.connection, own, "late", "taken_ms")
        found = record.connection.execute(_LATE, (reached, MOST_OTHERS))
        for number, probe, taken_ms in self._some(found, MOST_OTHERS):
            cursors |= {own: number, own + _MARK: taken_ms}
            row = next(record.rows(probe, taken_ms, taken_ms + 1), None)
            if row is None or taken_ms > cursors.get(self._line(f"probe/{probe}"), self._reached(f"probe/{probe}", -1)):
                continue
            points.append(self._points.reading(places[probe], taken_ms, *row[3:]))
            if self._points.replaces:
                touched |= {(width, probe, taken_ms - taken_ms % width_ms) for width, width_ms in _WIDTHS}
        for width, probe, start_ms in sorted(touched):
            for _, said in self._rolled(record, probe, width, start_ms, start_ms + 1):
                points.append(self._points.roll_up(places[probe], width, start_ms, said))

    def _runs(self, record: sqlite3.Connection, points: list[Point], cursors: dict[str, int]) -> None:
        enclosures = record.execute("SELECT DISTINCT enclosure FROM heater_run").fetchall()
        share = _share(enclosures)
        for (enclosure,) in enclosures:
            line = self._line(f"run/{enclosure}")
            reached = self._counted(record, line, "heater_run", "start_ms")
            found = record.execute(_ENDED, (enclosure, reached, share))
            for number, *run in self._some(found, share):
                points.append(self._points.run(enclosure, *run))
                cursors |= {line: number, line + _MARK: run[0]}

    def _explained(self, record: sqlite3.Connection, points: list[Point], cursors: dict[str, int]) -> None:
        """Take the runs of which more was said once they were sent; those not sent yet will go with all their words."""
        own = self._line("explained")
        reached = self._counted(record, own, "explained", "run_id")
        found = record.execute(_EXPLAINED, (reached, MOST_OTHERS))
        for number, run, enclosure, *told in self._some(found, MOST_OTHERS):
            cursors |= {own: number, own + _MARK: run}
            line = self._line(f"run/{enclosure}")
            if run > cursors.get(line, self._sent.get(line, 0)):
                continue
            anew = self._points.run(enclosure, *told) if self._points.replaces else None
            points.append(anew or self._points.explained(enclosure, told[0], told[-1], number))

    def _journal(self, points: list[Point], cursors: dict[str, int]) -> None:
        file = self._folder / "journal.db"
        with named(file), closing(open_reader(file)) as record:
            line = _journal_line(record)
            reached = self._counted(record, line, "journal", "at_ms")
            for entry in self._some(after(record, reached, MOST_OTHERS), MOST_OTHERS):
                points.append(self._points.entry(entry))
                cursors |= {line: entry.sequence, line + _MARK: entry.at_ms}

    def _rolled(
        self, record: Stretches, probe: int, width: str, start_ms: int, end_ms: int
    ) -> Iterator[tuple[int, tuple[int, float, float, float]]]:
        """Yield the minutes or hours of a probe that begin in [start_ms, end_ms): start, and what was said.

        None where a day of them is spoilt: they wait until they are made anew, and all else goes.
        """
        try:
            found = {"minute": rolled.minutes, "hour": rolled.hours}[width](record, probe, start_ms, end_ms)
        except DamagedBlockError as error:
            self._trouble = str(DamagedError("readings.db", error))
            return
        for at_ms, count, least, most, total in found.rows():
            yield at_ms, (count, least, most, total)

    def _some(self, found: Iterable[Item], most: int) -> list[Item]:
        """Return the first of what is left of a line; where that is all that may go at once, more may be waiting."""
        taken = list(islice(found, most))
        self._are_more |= len(taken) == most
        return taken

    def _line(self, name: str) -> str:
        """Return the name of one line of this record; another record in its place has lines of its own."""
        return f"{self._name}/{name}"

    def _reached(self, name: str, nothing: int) -> int:
        """Return until when [ms UTC] a line was sent; none was beyond all there is: a backup was put back."""
        reached_ms = self._sent.get(self._line(name), nothing)
        return reached_ms if reached_ms <= self._newest_ms else nothing

    def _counted(self, record: sqlite3.Connection, line: str, table: str, mark: str) -> int:
        """Return how far a table was sent; where other stands there than was sent, a backup was put back: all anew."""
        reached = self._sent.get(line, 0)
        there = record.execute(f"SELECT {mark} FROM {table} WHERE rowid = ?", (reached,)).fetchone()
        return reached if there and there[0] == self._sent.get(line + _MARK, there[0]) else 0


def _journal_line(journal: sqlite3.Connection) -> str:
    """Return the name of this journal's line: by its first entry, for one begun anew counts from 1 again."""
    first = journal.execute("SELECT hash FROM journal WHERE sequence = 1").fetchone()
    return f"journal/{first[0] if first else ''}"


def _share(among: Collection[object]) -> int:
    """Return how much of each goes into one batch, of what is told apart from the readings."""
    return max(MOST_READINGS // max(len(among), 1), LEAST_SHARE)


def _places(record: sqlite3.Connection) -> dict[int, Place]:
    return {row[0]: Place(*row[1:]) for row in record.execute("SELECT id, enclosure, name, quantity, unit FROM probe")}


def _after(record: Stretches, line: Line, reached_ms: int, share: int) -> list[Row]:
    """Return the first readings of a line that were taken after `reached_ms` [ms UTC]."""
    return list(islice(record.rows(line.probe, reached_ms + 1, line.until_ms), share))


def _two_days_on(record: Stretches, probe: int, width: str, start_ms: int, end_ms: int) -> int:
    """Return an end [ms UTC] by which some of the roll-ups in [start_ms, end_ms) have begun, but no years of them."""
    ends = (shelves.day_id(probe, start_ms), shelves.day_id(probe, end_ms))
    third = record.connection.execute(_THIRD_DAY.format(table=f"{width}s"), ends).fetchone()
    return end_ms if third is None else min(end_ms, shelves.day_start_ms(third[0]))


_MARK = "/mark"
"""Ends the name under which is kept what stands at the number that a table was sent to."""
_NEWEST = """SELECT max((SELECT coalesce(max(newest_ms), 0) FROM probe),
(SELECT coalesce(max(taken_most_ms), 0) FROM tail))"""
# In the first day all may have gone before; the second has some.
_THIRD_DAY = "SELECT id FROM {table} WHERE id BETWEEN ? AND ? ORDER BY id LIMIT 1 OFFSET 2"
_LATE = "SELECT id, probe_id, taken_ms FROM late WHERE id > ? ORDER BY id LIMIT ?"
_EXPLAINED = """SELECT explained.id, run_id, enclosure, start_ms, end_ms, energy_j, ended_by
FROM explained JOIN heater_run ON heater_run.id = run_id WHERE explained.id > ? ORDER BY explained.id LIMIT ?"""
_ENDED = """SELECT id, start_ms, end_ms, energy_j, ended_by FROM heater_run
WHERE enclosure = ? AND id > ? AND end_ms IS NOT NULL ORDER BY id LIMIT ?"""
