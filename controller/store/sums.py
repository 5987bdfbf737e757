"""Roll-ups: what the readings of a minute, ten minutes or an hour come to, and a day of them as it is kept.

Refused readings are left out: a sensor's error code is no extreme of the soil. Hours and tens are kept as plain
records, so that a year of them is read at once; minutes, which are many, as narrow columns.
"""

import struct
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from controller.status import Grade
from controller.store import columns
from controller.store.blocks import GRIDS, VERSION, DamagedBlockError, Row
from controller.store.readings import HOUR_MS, MINUTE_MS, TEN_MS

DAY_MS = 86_400_000
WIDTHS_MS = {"minutes": MINUTE_MS, "tens": TEN_MS, "hours": HOUR_MS}
"""[ms] by the table that keeps them."""
RECORD = struct.Struct("<qiddd")
"""Start [ms UTC], readings, least, most and their sum."""
MINUTES = struct.Struct("<BHH")
"""Version, steps of the grid in one unit (0: none), minutes."""
MINUTE_COLUMNS = 5
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


Sums = dict[int, Sum]
Day = dict[str, Sums]


def sums(rows: Iterable[Row], width_ms: int) -> Sums:
    """Return the roll-ups of one probe's readings, by start."""
    found: Sums = {}
    for _, taken_ms, _, value, grade in rows:
        if grade == Grade.REFUSED:
            continue
        start_ms = taken_ms - taken_ms % width_ms
        one = found.get(start_ms)
        if one is None:
            found[start_ms] = Sum(start_ms, 1, value, value, value)
        else:
            one.take(1, value, value, value)
    return found


def add(found: Sums, more: Sums) -> None:
    """Take more roll-ups in."""
    for start_ms, one in more.items():
        if start_ms in found:
            found[start_ms].take(one.count, one.least, one.most, one.total)
        else:
            found[start_ms] = one


def day_of(rows: Sequence[Row]) -> Day:
    """Return all roll-ups of readings of one probe and day."""
    return {table: sums(rows, width_ms) for table, width_ms in WIDTHS_MS.items()}


def pack(table: str, found: Sums, day_ms: int) -> bytes:
    """Return at least one minute, ten minutes or hour of the day that begins at `day_ms` [ms UTC] as they are kept."""
    if table == "minutes":
        return _pack_minutes(found, day_ms)
    return b"".join(RECORD.pack(at, one.count, one.least, one.most, one.total) for at, one in sorted(found.items()))


def unpack(table: str, data: bytes, day_ms: int) -> Sums:
    """Return a day's minutes, ten minutes or hours."""
    if table == "minutes":
        return {one.start_ms: one for one in _minutes(data, day_ms)}
    return {row[0]: Sum(*row) for row in RECORD.iter_unpack(data)}


def _pack_minutes(found: Sums, day_ms: int) -> bytes:
    kept = [one for _, one in sorted(found.items())]
    grid = next((grid for grid in GRIDS if all(_on_grid(one, grid) for one in kept)), 0)
    head = MINUTES.pack(VERSION, grid, len(kept))
    numbers = [[(one.start_ms - day_ms) // MINUTE_MS for one in kept], [one.count for one in kept]]
    if not grid:
        return head + columns.pack(
            [*numbers, [one.least for one in kept], [one.most for one in kept], [one.total for one in kept]]
        )
    least = [round(one.least * grid) for one in kept]
    # Counted from the least, most and sum are small numbers.
    most = [round(one.most * grid) - low for one, low in zip(kept, least, strict=True)]
    total = [round(one.total * grid) - one.count * low for one, low in zip(kept, least, strict=True)]
    return head + columns.pack([*numbers, least, most, total])


def _on_grid(one: Sum, grid: int) -> bool:
    least, most, total = one.least * grid, one.most * grid, one.total * grid
    return round(least) / grid == one.least and round(most) / grid == one.most and abs(total - round(total)) < _OFF_GRID


def minutes_head(data: bytes) -> tuple[int, int]:
    """Return a day's grid and how many minutes it has.

    Raises
    ------
    DamagedBlockError
        If a newer program wrote it.
    """
    version, grid, count = MINUTES.unpack_from(data)
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
