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
        self._newest_ms = 0
        self._looked_s = float("-inf")

    def look(self, now: Moment) -> None:
        """Read the plans that are new, if it is time."""
        if now.mono_s - self._looked_s < LOOK_EVERY_S or not self._file.exists():
            return
        self._looked_s = now.mono_s
        after_ms = max(self._newest_ms, now.utc_ms - round(1000 * BELIEVED_S))
        try:
            with closing(open_reader(self._file)) as connection:
                new = plans.plans_after(connection, after_ms)
        except (StoreError, sqlite3.Error, ValueError, KeyError, TypeError):
            self._known = {}
            return
        for name, plan in new:
            self._known.setdefault(name, deque(maxlen=KEPT)).append(plan)
            self._newest_ms = max(self._newest_ms, plan.starts_ms)

    def plan(self, name: str, now: Moment) -> Foresight | None:
        """Return the plan that holds now, or None."""
        known = self._known.get(name)
        return plan_at(known, now.utc_ms) if known else None
