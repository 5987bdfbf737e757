"""When each enclosure ticks: once a second, spread evenly over it, and at once when there is news."""

import heapq
import itertools
from collections.abc import Iterable

from controller.safety import limits
from controller.store.durations import Durations


class Ticking:
    """The ticks that are due.

    Only one due enclosure is handed out a turn, so a hot reading never waits for the ticks of all the others. `late`
    counts how long after it was due each was handed out.
    """

    def __init__(self, names: Iterable[str], now_s: float) -> None:
        known = list(names)
        self._count = itertools.count()
        spread = limits.TICK_S / len(known)
        self._due = [(now_s + number * spread, next(self._count), name) for number, name in enumerate(known)]
        self._newsworthy: set[str] = set()
        self.late = Durations()

    def wait_s(self, now_s: float) -> float:
        """[s] until the next enclosure is due."""
        return max(0.0, self._due[0][0] - now_s)

    def has_news(self, name: str) -> None:
        """Step this enclosure in this turn."""
        self._newsworthy.add(name)

    def take(self, now_s: float) -> set[str]:
        """Return whom to step now: all with news, and at most one that is due."""
        due_s, _, name = self._due[0]
        if now_s >= due_s:
            self.late.take(now_s - due_s)
            # A late tick is not made up for: the next one is due a whole tick after this.
            heapq.heapreplace(self._due, (now_s + limits.TICK_S, next(self._count), name))
            self._newsworthy.add(name)
        stepped, self._newsworthy = self._newsworthy, set()
        return stepped
