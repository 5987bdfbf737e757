"""The lines of the record: where a probe speaks in order of time, so that how far it was copied is one instant.

A probe has one. Behind readings that a clock years ahead has left it has one more, from where it went on before them.
"""

import sqlite3
from typing import NamedTuple

from controller.store.stretch import EVER_MS


class Line(NamedTuple):
    """What a probe says that is taken after `after_ms` and before `until_ms` [ms UTC]; `later` are lines within it."""

    probe: int
    after_ms: int
    until_ms: int
    later: tuple["Line", ...] = ()

    def tells(self, start_ms: int, width_ms: int) -> bool:
        """Whether a minute or an hour from `start_ms` [ms UTC] on is this line's to tell, and not a later one's."""
        return not any(each.after_ms < start_ms <= each.until_ms - width_ms for each in self.later)


def lines_of(record: sqlite3.Connection) -> dict[str, Line]:
    """Return all lines by the ends of their names."""
    found: dict[str, Line] = {}
    later: dict[int, tuple[Line, ...]] = {}
    for name, probe, after_ms, until_ms, _ in record.execute(_LINES):
        line = found[str(name)] = Line(probe, after_ms, until_ms, later.get(probe, ()))
        later[probe] = (*line.later, line)
    return found


# The latest first.
_LINES = f"""SELECT probe_id || '/' || id, probe_id, after_ms, until_ms, id FROM resumed
UNION ALL SELECT id, id, -1, {EVER_MS}, 0 FROM probe ORDER BY 5 DESC"""
