"""A block: readings in order, as columns of differences, packed. It gives back exactly what was put in.

Values that lie on a grid of tenths, sixteenths, hundredths and so on are kept as whole numbers of it; a sensor of
twelve bits speaks in sixteenths. Others are kept as they are.
"""

import struct
import zlib
from collections.abc import Sequence
from itertools import accumulate
from operator import add, sub
from typing import NamedTuple, TypeAlias

from controller.status import Grade
from controller.store import columns
from controller.store.columns import Column, DamagedBlockError, Laid, NewerBlockError

Row: TypeAlias = tuple[int, int, int, float, str]
"""Probe number, taken [ms UTC], arrived [ms UTC], value, grade."""

VERSION, FIRST_VERSION = 2, 1
"""The first form had its head before what is packed, where no check sum covers it."""
_HEAD = struct.Struct("<HIqq")
"""Steps of the grid in one unit (0: none), rows, first time taken [ms UTC], first value [steps]."""
_COLUMNS = 5
GRIDS = (1, 10, 16, 100, 1000, 10_000)
GRADES = tuple(each.value for each in Grade)
"""Grades by their code."""
CODES = {grade: code for code, grade in enumerate(GRADES)}


def pack(rows: Sequence[Row]) -> bytes:
    """Return at least one row as a block; of one probe, or of several."""
    probes, taken, arrived, values, grades = zip(*rows, strict=True)
    grid = grid_of(values)
    steps: Column = [round(value * grid) for value in values] if grid else values
    head = _HEAD.pack(grid, len(rows), taken[0], round(steps[0]) if grid else 0)
    body = columns.pack(
        [
            probes,
            [0, *map(sub, taken[1:], taken)],
            list(map(sub, arrived, taken)),
            [0, *map(sub, steps[1:], steps)] if grid else steps,
            [CODES[grade] for grade in grades],
        ]
    )
    return bytes([VERSION]) + zlib.compress(head + body)


def grid_of(values: Sequence[float]) -> int:
    """Return how many steps to one unit hold all values exactly, or 0 where none of the usual ones does."""
    return next((grid for grid in GRIDS if lie_on(grid, values)), 0)


def lie_on(grid: int, values: Sequence[float]) -> bool:
    """Whether all of at least one value are whole steps of a grid; mostly the first one tells."""
    first = values[0]
    return round(first * grid) / grid == first and [round(value * grid) / grid for value in values] == [*values]


class Opened(NamedTuple):
    """A block unpacked as far as its columns: probe, step of time, lag, value or step of it, grade; `count` of each."""

    grid: int
    count: int  # type: ignore[assignment]  # it hides tuple.count, which nobody needs here
    first_ms: int
    first_step: int
    body: bytes
    laid: list[Laid]


def opened(block: bytes) -> Opened:
    """Open a block.

    Raises
    ------
    DamagedBlockError
        If it is not whole, or was written by a newer program.
    """
    try:
        body = _body(block)
        grid, count, first_ms, first_step = _HEAD.unpack_from(body)
        return Opened(grid, count, first_ms, first_step, body, columns.lay(body, _HEAD.size, count, _COLUMNS))
    except (zlib.error, struct.error, ValueError) as error:
        raise DamagedBlockError(f"a block of readings is damaged ({error}); put back a backup") from error


def _body(block: bytes) -> bytes:
    """Return head and columns."""
    version = block[0] if block else VERSION
    if version == FIRST_VERSION:
        border = 1 + _HEAD.size
        return block[1:border] + zlib.decompress(block[border:])
    if version != VERSION:
        raise NewerBlockError(f"a block has version {version}, not {VERSION}; install the newer program")
    return zlib.decompress(block[1:])


def unpack(block: bytes) -> list[Row]:
    """Return the rows of a block; see `opened` for errors."""
    one = opened(block)
    probes, steps_ms, lags_ms, steps, codes = (columns.unpack(one.body, each, one.count) for each in one.laid)
    taken = list(accumulate(steps_ms[1:], initial=one.first_ms))
    values = [step / one.grid for step in accumulate(steps[1:], initial=one.first_step)] if one.grid else steps
    grades = [GRADES[code] for code in codes]
    return list(zip(probes, taken, map(add, taken, lags_ms), values, grades, strict=True))


def bounds(rows: Sequence[Row]) -> tuple[int, int, int, int]:
    """Return when [ms UTC] the first and the last of rows was taken, and when the first and the last was heard."""
    taken, heard = [row[1] for row in rows], [row[2] for row in rows]
    return min(taken), max(taken), min(heard), max(heard)
