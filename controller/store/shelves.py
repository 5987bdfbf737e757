"""Where things lie in the record: keys that keep together what is written together.

New readings of some hundred probes, a *shelf*, go to the tail in the order they came. Each hour the tail of a shelf is
packed into one block per probe and hour; blocks lie in order of time. Once a day is over its minutes and hours are
rolled up, and lie by probe. Days before a probe's `closed_ms` are read from there, later ones from blocks and tail.
"""

from controller.store.readings import HOUR_MS
from controller.store.sums import DAY_MS

SHELF_PROBES = 256
"""Few enough that packing one takes a moment, many enough that a commit of thousands touches few pages."""

_PROBES = 1 << 20
_DAYS = 1 << 22
"""More days than there are until the year 9999."""
_CHUNKS = 1 << 40
BLOCK_DAY = f"id % {_PROBES} * {_DAYS} + id / {_PROBES} / 24"
"""In SQL: the key of the day that a block lies in."""
SHELF = f"id / {_CHUNKS}"
"""In SQL: the shelf of a row of the tail."""
LAST_BLOCK = (1 << 63) - 1


def shelf_of(probe: int) -> int:
    """Return the shelf a probe's readings go to."""
    return probe // SHELF_PROBES


def block_id(at_ms: int, probe: int) -> int:
    """Return the key of the block that holds a probe's hour [ms UTC]."""
    return at_ms // HOUR_MS * _PROBES + probe


def block_place(block: int) -> tuple[int, int]:
    """Return the start [ms UTC] of a block's hour, and its probe."""
    hour, probe = divmod(block, _PROBES)
    return hour * HOUR_MS, probe


def day_id(probe: int, at_ms: int) -> int:
    """Return the key of a probe's day [ms UTC]."""
    return probe * _DAYS + at_ms // DAY_MS


def day_start_ms(day: int) -> int:
    """Return the start [ms UTC] of the day with a key."""
    return day % _DAYS * DAY_MS


def day_probe(day: int) -> int:
    """Return the probe of the day with a key."""
    return day // _DAYS


def tail_ids(shelf: int) -> tuple[int, int]:
    """Return the first and the last key that a shelf's part of the tail may have."""
    return shelf * _CHUNKS, (shelf + 1) * _CHUNKS - 1
