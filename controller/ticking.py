"""When each enclosure ticks: once a second, spread evenly over it, and at once when there is news."""

import heapq
import itertools
from collections.abc import Iterable

from controller.safety import limits
from controller.store.durations import Durations


class Ticking:
    """Whose turn it is.

    One enclosure is handed out at a time, so that a hot reading waits for one step of another's at the most. `late`
    counts how long after it was due each was handed out.
    """

    def __init__(self, names: Iterable[str], now_s: float) -> None:
        known = list(names)
        self._count = itertools.count()
        spread = limits.TICK_S / len(known)
        self._due = [(now_s + number * spread, next(self._count), name) for number, name in enumerate(known)]
        self._news: dict[str, float] = {}
        self._hot: dict[str, None] = {}
        self.late = Durations()

    def wait_s(self, now_s: float) -> float:
        """[s] until the next one's turn."""
        return 0.0 if self._news else max(0.0, self._due[0][0] - now_s)

    def has_news(self, name: str, now_s: float, *, hot: bool = False) -> None:
        """Give this enclosure a turn soon; before all others if a limit is passed."""
        self._news.setdefault(name, now_s)
        if hot:
            self._hot[name] = None

    def next(self, now_s: float) -> str | None:
        """Return whom to step now: who is hot, else who has waited longest; None if nobody's turn has come."""
        due_s, _, name = self._due[0]
        if self._hot:
            name = next(iter(self._hot))
        elif self._news and next(iter(self._news.values())) <= due_s:
            name = next(iter(self._news))
        elif now_s < due_s:
            return None
        self._news.pop(name, None)
        self._hot.pop(name, None)
        if name == self._due[0][2] and now_s >= due_s:
            self.late.take(now_s - due_s)
            # Each keeps its place in the second, or those that were late together would come in a heap ever after. What
            # is late by whole ticks is not made up for.
            next_s = due_s + limits.TICK_S * (1 + (now_s - due_s) // limits.TICK_S)
            heapq.heapreplace(self._due, (next_s, next(self._count), name))
        return name
