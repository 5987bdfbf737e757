"""The planner's plans, as its process leaves them on disk; the loop takes the one that holds now."""

import sqlite3
from bisect import bisect_right
from collections import deque
from collections.abc import Sequence
from contextlib import closing
from operator import attrgetter
from pathlib import Path

from controller.clock import Moment
from controller.control.foresight import BELIEVED_S, TAKEN_AFTER_S, Foresight
from controller.errors import StoreError
from controller.store import plans
from controller.store.connection import open_reader

LOOK_EVERY_S = 10.0
MOST_AT_ONCE = 100
"""Plans read in one look, some ten milliseconds: the ticks wait for it. Source: engineering judgement."""
KEPT = 8
"""Plans of one enclosure: those of the hours for which a plan is believed, and one to come."""


def plan_at(known: Sequence[Foresight], at_ms: int) -> Foresight | None:
    """Return the newest of some plans, oldest first, that holds at an instant [ms UTC], or None."""
    held = bisect_right(known, at_ms - 1000 * TAKEN_AFTER_S, key=attrgetter("starts_ms"))
    return known[held - 1] if held else None


class Foreseen:
    """The plans of every enclosure that may hold now, each read once; unreadable plans are no plans."""

    def __init__(self, folder: Path) -> None:
        self._file = folder / "plans.db"
        self._known: dict[str, deque[Foresight]] = {}
        self._read: set[tuple[str, int]] = set()
        self._newest_ms = 0
        self._looked_s = float("-inf")

    def look(self, now: Moment) -> None:
        """Read the plans that are new, if it is time."""
        if now.mono_s - self._looked_s < LOOK_EVERY_S or not self._file.exists():
            return
        try:
            with closing(open_reader(self._file)) as connection:
                is_done = self._read_new(connection, now)
        except (StoreError, sqlite3.Error):
            self._forget()
            is_done = True
        self._looked_s = now.mono_s if is_done else self._looked_s

    def _read_new(self, connection: sqlite3.Connection, now: Moment) -> bool:
        """Read what is not known yet, or a part of it; returns whether that was all.

        The planner leaves one plan after the other, all of one start: so some of the newest start may be to come.
        """
        if now.utc_ms < self._newest_ms:
            self._forget()  # the clock was set back: what was left by the wrong one holds no more
        since_ms = max(self._newest_ms, now.utc_ms - round(1000 * BELIEVED_S))
        starts = plans.starts_from(connection, since_ms, now.utc_ms)
        new = [each for each in starts if each not in self._read]
        for name, starts_ms in new[:MOST_AT_ONCE]:
            found = plans.plans_from(connection, name, starts_ms, starts_ms)
            self._known.setdefault(name, deque(maxlen=KEPT)).extend(found)
            self._newest_ms = starts_ms
            self._read.add((name, starts_ms))
        self._read = {each for each in self._read if each[1] == self._newest_ms}
        return len(new) <= MOST_AT_ONCE

    def _forget(self) -> None:
        # Of what was read only the newest start is kept in mind: nothing before it is looked at again.
        self._known, self._read, self._newest_ms = {}, set(), 0

    def plan(self, name: str, now: Moment) -> Foresight | None:
        """Return the plan that holds now, or None."""
        known = self._known.get(name)
        return plan_at(known, now.utc_ms) if known else None
