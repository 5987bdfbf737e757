"""Which messages a commit holds: after a killed controller the broker tells them again, and a bare number has no stamp.

A receipt is the broker's number for a message and a check sum of it. Those of a commit lie in the row that holds its
readings, so they cost no page of their own (32 bytes written more for each bare number where a reading takes 220,
measured), and go when it is packed.
"""

import sqlite3
import struct
from collections.abc import Iterable, Iterator
from typing import NamedTuple

from controller.store import shelves

LATELY_MS = 120_000
"""[ms] Receipts so much older than the newest are of no use: their messages were acknowledged long ago, as the next
commit comes within half a minute; and their numbers may be another message's by now. Source: engineering judgement."""
_FORM = struct.Struct("<HI")


class Receipt(NamedTuple):
    """A message that is on disk: the broker's number for it (1-65535) and the CRC-32 of its topic and payload."""

    number: int
    content: int


def pack(receipts: Iterable[Receipt]) -> bytes:
    """Return receipts as they lie in the record."""
    return b"".join(_FORM.pack(*each) for each in receipts)


def lately(connection: sqlite3.Connection) -> Iterator[Receipt]:
    """Yield the receipts of the last commits, the latest last."""
    for (packed,) in connection.execute(_LATELY, (LATELY_MS,)):
        # No start of a controller may hang on a row that a bad card has cut short.
        whole = len(packed) - len(packed) % _FORM.size
        yield from map(Receipt._make, _FORM.iter_unpack(packed[:whole]))


# The latest by their keys: a clock that was set back makes the last commit heard before others.
_LATELY = f"""SELECT receipts FROM tail, (SELECT max(heard_most_ms) AS at_ms FROM tail
WHERE id IN (SELECT max(id) FROM tail GROUP BY {shelves.SHELF}))
WHERE receipts IS NOT NULL AND heard_most_ms BETWEEN at_ms - ? AND at_ms ORDER BY heard_most_ms"""
