"""How the controller fares in numbers: counted while it runs, left every 10 s in a small file for the API to show."""

import json
import logging
import os
from bisect import bisect_left
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from controller.clock import Moment
from controller.enclosure import Decision
from controller.store.writer import Writer

EVERY_S = 10.0
"""[s] between two files: seldom enough for a memory card. Source: engineering judgement."""

BOUNDS_S = (0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 10.0)
"""[s] upper bounds of the buckets of every duration."""

log = logging.getLogger("soilward.service")


@dataclass(slots=True)
class Durations:
    """How long something took: one count per bucket, the last one for all that is longer, and the sum [s]."""

    counts: list[int] = field(default_factory=lambda: [0] * (len(BOUNDS_S) + 1))
    total_s: float = 0.0

    def take(self, seconds: float) -> None:
        """Count one."""
        self.counts[bisect_left(BOUNDS_S, seconds)] += 1
        self.total_s += seconds

    def as_json(self) -> dict[str, Any]:
        """Return it as JSON; not cumulative."""
        return {"bounds_s": BOUNDS_S, "counts": list(self.counts), "total_s": self.total_s}


class TimedWriter(Writer):
    """The writer, with the time its commits took."""

    def __init__(self, *arguments: Any, **named: Any) -> None:
        self.took = Durations()
        super().__init__(*arguments, **named)

    def turn(self) -> None:
        """Take a turn, and time it if it committed."""
        before, began_s = self.commits, self._clock.now().mono_s
        super().turn()
        if self.commits > before:
            self.took.take(self._clock.now().mono_s - began_s)


class Figures:
    """Counts since the start. `FILE` in the store folder has them, not older than 10 s while the controller runs."""

    FILE = "figures.json"

    def __init__(self, folder: Path) -> None:
        self._file = folder / self.FILE
        self._told_s = float("-inf")
        self._ticks = Durations()
        self._readings: dict[str, Counter[str]] = {}
        self._renewals: Counter[str] = Counter()

    def saw(self, name: str, decision: Decision, took_s: float) -> None:
        """Count one enclosure's tick: how long it took with all that followed from it, and what it decided."""
        self._ticks.take(took_s)
        grades = self._readings.setdefault(name, Counter())
        grades.update(judged.grade.value for _, judged in decision.judged)
        self._renewals[name] += decision.send and decision.order.on

    def look(self, now: Moment, writer: TimedWriter, inbox_depth: int) -> None:
        """Leave the figures in the file when it is time; a disk that takes none costs figures and nothing else."""
        if now.mono_s - self._told_s < EVERY_S:
            return
        self._told_s = now.mono_s
        figures = {
            "at_ms": now.utc_ms,
            "readings": {name: dict(grades) for name, grades in self._readings.items()},
            "renewals": dict(self._renewals),
            "tick": self._ticks.as_json(),
            "commit": writer.took.as_json(),
            "queues": {"inbox": inbox_depth, "writer": writer.queue_depth},
        }
        fresh = self._file.with_suffix(".json.new")
        try:
            fresh.write_text(json.dumps(figures), "utf-8")
            os.replace(fresh, self._file)
        except OSError as error:
            log.warning("figures cannot be left in %s: %s", self._file, error)
