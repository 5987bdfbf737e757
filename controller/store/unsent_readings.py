"""What of the record's readings was not sent yet, with their minutes and hours, and what came late.

Readings go oldest first over all probes, so a remote store that was away for a week fills from its old end. A minute
or hour follows once the readings of its probe have passed it. What came late goes once more, with its minute and hour.
Where a clock that was ahead was set right, a probe has a line more.
"""

import sqlite3
from collections.abc import Iterator
from heapq import heapify, heappop, heappush
from itertools import islice

from influxdb_client import Point

from controller.store import rolled, shelves
from controller.store.batch import LEAST_SHARE, MOST_READINGS, Batch
from controller.store.blocks import Row
from controller.store.columns import DamagedBlockError
from controller.store.damage import DamagedError
from controller.store.lines import Line, lines_of
from controller.store.points import Place, Points
from controller.store.readings import HOUR_MS, MINUTE_MS
from controller.store.stretch import LegibleStretches

_WIDTHS = (("minute", MINUTE_MS), ("hour", HOUR_MS))


class UnsentReadings:
    """Puts into a batch what goes next of one state of the record: use it within a snapshot."""

    def __init__(self, record: sqlite3.Connection, points: Points, batch: Batch) -> None:
        self._record, self._points, self._batch = record, points, batch
        self._kept = LegibleStretches(record)
        self._places = {row[0]: Place(*row[1:]) for row in record.execute(_PROBES)}
        self._lines = lines_of(record)

    def take(self) -> None:
        """Take the oldest readings, what these have passed, and what came late."""
        self._readings()
        self._passed()
        self._late()
        self._batch.trouble = self._kept.spoilt or self._batch.trouble

    def _readings(self) -> None:
        """Take the oldest unsent readings over all probes."""
        rows, horizon_ms = self._oldest()
        self._batch.full |= horizon_ms is not None
        self._batch.oldest_ms = min((found[0][1] for found in rows.values()), default=None)
        taken: list[tuple[int, Point]] = []
        for line, found in rows.items():
            kept = [row for row in found if horizon_ms is None or row[1] <= horizon_ms]
            if kept:
                taken += [(row[1], self._points.reading(self._places[row[0]], row[1], *row[3:])) for row in kept]
                self._batch.reach(f"probe/{line}", kept[-1][1])
        self._batch.points += [point for _, point in sorted(taken, key=lambda each: each[0])]

    def _oldest(self) -> tuple[dict[str, list[Row]], int | None]:
        """Return the first unsent readings of each line, and until when [ms UTC] none is left out; None if none is.

        A line that has more than its share ends the batch for all, or newer readings would overtake its older ones.
        So those that speak much oftener than the rest are read on, or each batch would hold next to nothing.
        """
        share = max(MOST_READINGS // 2 // max(len(self._lines), 1) + 1, LEAST_SHARE)
        starts_ms = {each: self._batch.reached_ms(f"probe/{each}", line.after_ms) for each, line in self._lines.items()}
        firsts = {each: self._after(line, starts_ms[each], share) for each, line in self._lines.items()}
        rows = {each: found for each, found in firsts.items() if found}
        ends = [(found[-1][1], each) for each, found in rows.items() if len(found) == share]
        heapify(ends)
        spare = MOST_READINGS // 2
        while ends and spare > 0:
            reached_ms, each = heappop(ends)
            more = self._after(self._lines[each], reached_ms, share)
            rows[each] += more
            spare -= len(more)
            if len(more) == share:
                heappush(ends, (more[-1][1], each))
        return rows, ends[0][0] if ends else None

    def _after(self, line: Line, reached_ms: int, share: int) -> list[Row]:
        """Return the first readings of a line that were taken after `reached_ms` [ms UTC]."""
        return list(islice(self._kept.rows(line.probe, reached_ms + 1, line.until_ms), share))

    def _passed(self) -> None:
        """Take the minutes and hours that the readings sent by then have passed, some of each probe at a time.

        They have a line of their own: readings may have been taken away by then, and minutes of years be left.
        """
        share = max(MOST_READINGS // max(len(self._lines), 1), LEAST_SHARE)
        for each, told in self._lines.items():
            reached_ms = self._batch.reached_ms(f"probe/{each}", told.after_ms)
            for width, width_ms in _WIDTHS:
                line, high_ms = f"{width}/{each}", reached_ms - reached_ms % width_ms
                low_ms = self._batch.reached_ms(line, self._first_ms(told, width_ms) - width_ms) + width_ms
                if low_ms >= high_ms:
                    continue
                end_ms = self._two_days_on(told.probe, width, low_ms, high_ms)
                found = self._batch.some(self._rolled(told.probe, width, low_ms, end_ms), share)
                # Behind a day that is spoilt more is waiting, but not before that day is made anew.
                self._batch.full |= end_ms < high_ms and bool(found)
                for start_ms, said in found:
                    if told.tells(start_ms, width_ms):
                        self._roll_up(told.probe, width, start_ms, said)
                    self._batch.reach(line, start_ms)

    def _first_ms(self, line: Line, width_ms: int) -> int:
        """Return where [ms UTC] a line's first minute or hour begins: a whole one, if one told in part stays so."""
        low_ms = line.after_ms + 1
        return low_ms // width_ms * width_ms if self._points.replaces else -(-low_ms // width_ms) * width_ms

    def _late(self) -> None:
        """Take what came late of readings sent by then, with its minutes and hours where a point may be sent anew."""
        touched: set[tuple[str, int, int]] = set()
        own = self._batch.name_of("late")
        reached = self._batch.counted(self._record, own, "late", "taken_ms")
        found = self._record.execute(_LATE, (reached, MOST_READINGS))
        for number, probe, taken_ms in self._batch.some(found, MOST_READINGS):
            self._batch.count(own, number, taken_ms)
            row = next(self._kept.rows(probe, taken_ms, taken_ms + 1), None)
            if row is None or taken_ms > self._batch.reached_ms(f"probe/{probe}", -1):
                continue
            self._batch.points.append(self._points.reading(self._places[probe], taken_ms, *row[3:]))
            if self._points.replaces:
                touched |= {(width, probe, taken_ms - taken_ms % width_ms) for width, width_ms in _WIDTHS}
        for width, probe, start_ms in sorted(touched):
            for _, said in self._rolled(probe, width, start_ms, start_ms + 1):
                self._roll_up(probe, width, start_ms, said)

    def _roll_up(self, probe: int, width: str, start_ms: int, said: tuple[int, float, float, float]) -> None:
        self._batch.points.append(self._points.roll_up(self._places[probe], width, start_ms, said))

    def _two_days_on(self, probe: int, width: str, start_ms: int, end_ms: int) -> int:
        """Return an end [ms UTC] by which some of the roll-ups in [start_ms, end_ms) have begun, no years of them."""
        ends = (shelves.day_id(probe, start_ms), shelves.day_id(probe, end_ms))
        third = self._record.execute(_THIRD_DAY.format(table=f"{width}s"), ends).fetchone()
        return end_ms if third is None else min(end_ms, shelves.day_start_ms(third[0]))

    def _rolled(
        self, probe: int, width: str, start_ms: int, end_ms: int
    ) -> Iterator[tuple[int, tuple[int, float, float, float]]]:
        """Yield the minutes or hours of a probe that begin in [start_ms, end_ms): start, and what was said.

        None where a day of them is spoilt: they wait until they are made anew, and all else goes.
        """
        try:
            found = {"minute": rolled.minutes, "hour": rolled.hours}[width](self._kept, probe, start_ms, end_ms)
        except DamagedBlockError as error:
            self._batch.trouble = str(DamagedError("readings.db", error))
            return
        for at_ms, count, least, most, total in found.rows():
            yield at_ms, (count, least, most, total)


_PROBES = "SELECT id, enclosure, name, quantity, unit FROM probe"
# In the first day all may have gone before; the second has some.
_THIRD_DAY = "SELECT id FROM {table} WHERE id BETWEEN ? AND ? ORDER BY id LIMIT 1 OFFSET 2"
_LATE = "SELECT id, probe_id, taken_ms FROM late WHERE id > ? ORDER BY id LIMIT ?"
