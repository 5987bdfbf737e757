"""Columns of numbers in few bytes: each column as wide as its own values ask for, counted from the least of them."""

import struct
from collections.abc import Sequence
from typing import Any, NamedTuple, TypeAlias

from controller.errors import StoreError

_HEAD = struct.Struct("<cq")
_WIDTHS = (("B", 1 << 8), ("H", 1 << 16), ("I", 1 << 32), ("Q", 1 << 64))
CONSTANT = "x"
"""The code of a column whose values are all the same: it takes no room but its head."""
_FLOAT = "d"
SIZES = {CONSTANT: 0, "B": 1, "H": 2, "I": 4, "Q": 8, _FLOAT: 8}
_KINDS = {code.encode("ascii"): (code, size) for code, size in SIZES.items()}

Column: TypeAlias = Sequence[Any]
"""Whole numbers, or floats: all of one kind."""


class Laid(NamedTuple):
    """Where a column lies in its bytes: `struct` code, what to add to each value, and offset [bytes].

    A tuple, for a chart lays out hundreds and is made in a moment.
    """

    code: str
    least: int
    offset: int


def pack(columns: Sequence[Column]) -> bytes:
    """Return columns of one length as bytes; whole numbers exactly, others as 64-bit floats."""
    parts = []
    for column in columns:
        code, least, values = _narrow(column)
        parts += [_HEAD.pack(code.encode("ascii"), least), struct.pack(f"<{len(values)}{code}", *values)]
    return b"".join(parts)


def _narrow(column: Column) -> tuple[str, int, Column]:
    if isinstance(column[0], float):
        return _FLOAT, 0, column
    least: int = min(column)
    span = max(column) - least
    if not span:
        return CONSTANT, least, ()
    code = next(code for code, bound in _WIDTHS if span < bound)
    return code, least, [value - least for value in column]


class DamagedBlockError(StoreError):
    """A block, or a day, that does not give back what was put in."""


class NewerBlockError(DamagedBlockError):
    """One that a newer program wrote, by its first byte; that one may be spoilt as well."""


def lay(data: bytes, offset: int, count: int, columns: int) -> list[Laid]:
    """Return where each of `columns` columns of `count` values lies, from an offset [bytes] on.

    Raises
    ------
    ValueError
        If no such columns lie there.
    """
    found = []
    try:
        for _ in range(columns):
            code, least = _HEAD.unpack_from(data, offset)
            name, size = _KINDS[code]
            offset += _HEAD.size
            found.append(Laid(name, least, offset))
            offset += count * size
    except (struct.error, KeyError) as error:
        raise ValueError(f"no such columns: {error}") from error
    if offset > len(data):
        raise ValueError(f"its columns end at {offset}, after {len(data)} bytes")
    return found


def unpack(data: bytes, laid: Laid, count: int) -> Column:
    """Return one column's values."""
    if laid.code == CONSTANT:
        return [laid.least] * count
    values = struct.unpack_from(f"<{count}{laid.code}", data, laid.offset)
    return values if laid.code == _FLOAT or not laid.least else [value + laid.least for value in values]
