"""The planner's plans, as its process leaves them on disk; the loop takes the one that holds now."""

import sqlite3
from bisect import bisect_right
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


def plan_at(known: Sequence[Foresight], at_ms: int) -> Foresight | None:
    """Return the newest of some plans, oldest first, that holds at an instant [ms UTC], or None."""
    held = bisect_right(known, at_ms - 1000 * TAKEN_AFTER_S, key=attrgetter("starts_ms"))
    return known[held - 1] if held else None


class Foreseen:
    """The latest plans of every enclosure, read again every few seconds; unreadable plans are no plans."""

    def __init__(self, folder: Path, names: tuple[str, ...]) -> None:
        self._file, self._names = folder / "plans.db", names
        self._known: dict[str, list[Foresight]] = {}
        self._looked_s = float("-inf")

    def look(self, now: Moment) -> None:
        """Read the plans if it is time."""
        if now.mono_s - self._looked_s < LOOK_EVERY_S or not self._file.exists():
            return
        self._looked_s = now.mono_s
        start_ms = now.utc_ms - round(1000 * BELIEVED_S)
        try:
            with closing(open_reader(self._file)) as connection:
                self._known = {name: plans.plans_from(connection, name, start_ms, now.utc_ms) for name in self._names}
        except (StoreError, sqlite3.Error, ValueError, KeyError, TypeError):
            self._known = {}

    def plan(self, name: str, now: Moment) -> Foresight | None:
        """Return the plan that holds now, or None."""
        return plan_at(self._known.get(name, []), now.utc_ms)
