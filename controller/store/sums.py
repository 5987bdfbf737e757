"""Roll-ups: what the readings of a minute, ten minutes or an hour come to, and a day of them as it is kept.

Refused readings are left out: a sensor's error code is no extreme of the soil. Hours and tens are kept as plain
records, so that a year of them is read at once; minutes, which are many, as narrow columns.
"""

import struct
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from controller.status import Grade
from controller.store import columns
from controller.store.blocks import GRIDS, Row, lie_on
from controller.store.columns import DamagedBlockError
from controller.store.readings import HOUR_MS, MINUTE_MS, TEN_MS

DAY_MS = 86_400_000
WIDTHS_MS = {"minutes": MINUTE_MS, "tens": TEN_MS, "hours": HOUR_MS}
"""[ms] by the table that keeps them."""
VERSION = 1
RECORD = struct.Struct("<qiddd")
"""Start [ms UTC], readings, least, most and their sum."""
MINUTES = struct.Struct("<BHH")
"""Version, steps of the grid in one unit (0: none), minutes."""
MINUTE_COLUMNS = 5
REFUSED = Grade.REFUSED.value
_OFF_GRID = 1e-6
"""Part of a step by which a sum of values on the grid may be off by rounding; far more than it is."""


@dataclass(slots=True)
class Sum:
    """What the readings from `start_ms` [ms UTC] on, for one minute or hour, come to."""

    start_ms: int
    count: int
    least: float
    most: float
    total: float

    def take(self, count: int, least: float, most: float, total: float) -> None:
        """Take more readings of the same time in."""
        self.count += count
        self.least = min(self.least, least)
        self.most = max(self.most, most)
        self.total += total

    def widen(self, other: "Sum") -> None:
        """Take in no more than the extremes of other readings of the same time."""
        self.least, self.most = min(self.least, other.least), max(self.most, other.most)


Sums = dict[int, Sum]
Day = dict[str, Sums]


def minutes_of(rows: Iterable[Row]) -> Sums:
    """Return the minutes of one probe's readings, which are in order of time, by start."""
    found: Sums = {}
    start_ms, count, least, most, total = -MINUTE_MS, 0, 0.0, 0.0, 0.0
    for _, taken_ms, _, value, grade in rows:
        if grade == REFUSED:
            continue
        if taken_ms < start_ms + MINUTE_MS:
            count, total = count + 1, total + value
            if value < least:
                least = value
            elif value > most:
                most = value
            continue
        if count:
            found[start_ms] = Sum(start_ms, count, least, most, total)
        start_ms, count, least, most, total = taken_ms - taken_ms % MINUTE_MS, 1, value, value, value
    if count:
        found[start_ms] = Sum(start_ms, count, least, most, total)
    return found


def wider(narrow: Sums, width_ms: int) -> Sums:
    """Return roll-ups of a width that holds several of the narrow ones."""
    found: Sums = {}
    for at_ms, one in narrow.items():
        start_ms = at_ms - at_ms % width_ms
        if start_ms in found:
            found[start_ms].take(one.count, one.least, one.most, one.total)
        else:
            found[start_ms] = Sum(start_ms, one.count, one.least, one.most, one.total)
    return found


def add(found: Sums, more: Sums) -> None:
    """Take more roll-ups in."""
    for start_ms, one in more.items():
        if start_ms in found:
            found[start_ms].take(one.count, one.least, one.most, one.total)
        else:
            found[start_ms] = one


def day_of(rows: Iterable[Row]) -> Day:
    """Return all roll-ups of readings of one probe and day, which are in order of time."""
    minutes = minutes_of(rows)
    tens = wider(minutes, TEN_MS)
    return {"minutes": minutes, "tens": tens, "hours": wider(tens, HOUR_MS)}


def pack(table: str, found: Sums, day_ms: int) -> bytes:
    """Return at least one minute, ten minutes or hour of the day that begins at `day_ms` [ms UTC] as they are kept."""
    if table == "minutes":
        return _pack_minutes(found, day_ms)
    return b"".join(RECORD.pack(at, one.count, one.least, one.most, one.total) for at, one in sorted(found.items()))


def unpack(table: str, data: bytes, day_ms: int) -> Sums:
    """Return a day's minutes, ten minutes or hours.

    Raises
    ------
    DamagedBlockError
        If they are none, or a newer program wrote them.
    """
    try:
        if table == "minutes":
            return {one.start_ms: one for one in _minutes(data, day_ms)}
        return {row[0]: Sum(*row) for row in RECORD.iter_unpack(data)}
    except (struct.error, ValueError, OverflowError) as error:
        raise damaged(table, error) from error


def damaged(table: str, error: Exception) -> DamagedBlockError:
    """Return what to raise where the bytes of a day's roll-ups are none."""
    return DamagedBlockError(f"a day of {table} is damaged ({error}); stop Soilward and run `soilward verify --mend`")


def _pack_minutes(found: Sums, day_ms: int) -> bytes:
    kept = [one for _, one in sorted(found.items())]
    least, most, total = [one.least for one in kept], [one.most for one in kept], [one.total for one in kept]
    count = [one.count for one in kept]
    numbers = [[(one.start_ms - day_ms) // MINUTE_MS for one in kept], count]
    grid = next((grid for grid in GRIDS if lie_on(grid, [*least, *most]) and _nearly_on(grid, total)), 0)
    head = MINUTES.pack(VERSION, grid, len(kept))
    if not grid:
        return head + columns.pack([*numbers, least, most, total])
    low = [round(value * grid) for value in least]
    # Counted from the least, most and sum are small numbers.
    over = [round(value * grid) - below for value, below in zip(most, low, strict=True)]
    rest = [round(value * grid) - many * below for value, many, below in zip(total, count, low, strict=True)]
    return head + columns.pack([*numbers, low, over, rest])


def _nearly_on(grid: int, totals: Iterable[float]) -> bool:
    return all(abs(total * grid - round(total * grid)) < _OFF_GRID for total in totals)


def minutes_head(data: bytes) -> tuple[int, int]:
    """Return a day's grid and how many minutes it has.

    Raises
    ------
    DamagedBlockError
        If it has no head, or a newer program wrote it.
    """
    try:
        version, grid, count = MINUTES.unpack_from(data)
    except struct.error as error:
        raise damaged("minutes", error) from error
    if version != VERSION:
        raise DamagedBlockError(f"a day of minutes has version {version}, not {VERSION}; install a newer program")
    return grid, count


def _minutes(data: bytes, day_ms: int) -> Iterator[Sum]:
    grid, minutes = minutes_head(data)
    laid = columns.lay(data, MINUTES.size, minutes, MINUTE_COLUMNS)
    for number, many, least, most, total in zip(*(columns.unpack(data, each, minutes) for each in laid), strict=True):
        at_ms, count = day_ms + int(number) * MINUTE_MS, int(many)
        if grid:
            yield Sum(at_ms, count, least / grid, (least + most) / grid, (total + count * least) / grid)
        else:
            yield Sum(at_ms, count, least, most, total)
