"""When each enclosure ticks: once a second, spread evenly over it, and at once when there is news."""

import heapq
import itertools
from collections.abc import Iterable
from itertools import islice

from controller.safety import limits
from controller.store.durations import Durations

MOST_TOGETHER = 32
"""Hot ones that are handed out together: some ten milliseconds' work, for which the next must wait. Source: engineering
judgement."""

BEHIND_S, MOST_BEHIND = 0.02, 4
"""[s] late, and how many are then handed out together: what surrounds a step takes a tenth of the time (sampled), and a
hot one waits for their steps, a millisecond or so. Source: engineering judgement."""

GROUPS = 100
"""In which the ticks of a second are due. Where each enclosure had an instant of its own the loop fell asleep and awoke
for every one of them, and a tick cost an eighth more (measured at five hundred). Each is still handed out alone, unless
the loop is behind."""


class Ticking:
    """Whose turn it is.

    One enclosure is handed out at a time, so that a hot reading waits for one step of another's at the most; who is hot
    together is handed out together, and behind them the one that is due; and where the loop is behind, a few that are
    due. `late` counts how long after it was due each was handed out.
    """

    def __init__(self, names: Iterable[str], now_s: float) -> None:
        known = list(names)
        self._count = itertools.count()
        apart_s = limits.TICK_S / GROUPS
        groups = [number * GROUPS // len(known) for number in range(len(known))]
        self._due = [
            (now_s + group * apart_s, next(self._count), name) for group, name in zip(groups, known, strict=True)
        ]
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

    def next(self, now_s: float) -> list[str]:
        """Return whom to step now: those who are hot, else who has waited longest; nobody if no turn has come."""
        hot = list(islice(self._hot, MOST_TOGETHER))
        names = hot or ([next(iter(self._news))] if self._are_news_older() else [])
        for each in names:
            self._news.pop(each, None)
            self._hot.pop(each, None)
        due_s, _, name = self._due[0]
        # Of a probe that tells of its heat without end, the others must not starve: one that is due comes behind.
        if now_s >= due_s and (hot or not names or name in names):
            self._take_due(names, now_s)
            while not hot and len(names) < MOST_BEHIND and self._is_behind(now_s, names):
                self._take_due(names, now_s)
        return names

    def _are_news_older(self) -> bool:
        """Whether somebody has had news for longer than anybody is due."""
        return bool(self._news) and next(iter(self._news.values())) <= self._due[0][0]

    def _is_behind(self, now_s: float, names: list[str]) -> bool:
        """Whether one more who is due should come along."""
        due_s, _, name = self._due[0]
        return now_s - due_s > BEHIND_S and name not in names and not self._are_news_older()

    def _take_due(self, names: list[str], now_s: float) -> None:
        """Hand out who is due first."""
        due_s, _, name = self._due[0]
        if name not in names:
            names.append(name)
            self._news.pop(name, None)
            self._hot.pop(name, None)
        self._ticks(name, now_s, due_s)

    def _ticks(self, name: str, now_s: float, due_s: float) -> None:
        """Note that who was due first is handed out, and when it is due next.

        Each keeps its place in the second, or those that were late together would come in a heap ever after. What is
        late by whole ticks is not made up for.
        """
        self.late.take(now_s - due_s)
        next_s = due_s + limits.TICK_S * (1 + (now_s - due_s) // limits.TICK_S)
        heapq.heapreplace(self._due, (next_s, next(self._count), name))
