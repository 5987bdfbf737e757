"""How the controller fares in numbers: counted while it runs, left every 10 s in a small file for the API to show."""

import json
import logging
import os
from collections import Counter, defaultdict
from collections.abc import Iterable
from pathlib import Path

from controller.clock import Moment
from controller.enclosure import Decision
from controller.store.durations import Durations
from controller.store.writer import Writer

EVERY_S = 10.0
"""[s] between two files: seldom enough for a memory card. Source: engineering judgement."""

log = logging.getLogger("soilward.service")


class Figures:
    """Counts since the start. `FILE` in the store folder has them, not older than 10 s while the controller runs."""

    FILE = "figures.json"

    def __init__(self, folder: Path, names: Iterable[str]) -> None:
        self._file = folder / self.FILE
        self._told_s = float("-inf")
        self._ticks = Durations()
        self._readings: defaultdict[str, Counter[str]] = defaultdict(Counter)
        self._renewals = Counter(dict.fromkeys(names, 0))

    def saw(self, name: str, decision: Decision, took_s: float) -> None:
        """Count one enclosure's tick: how long it took with all that followed from it, and what it decided."""
        self._ticks.take(took_s)
        for _, judged in decision.judged:
            self._readings[name][judged.grade.value] += 1
        if decision.send and decision.order.on:
            self._renewals[name] += 1

    def look(self, now: Moment, writer: Writer, inbox_depth: int, late: Durations) -> None:
        """Leave the figures in the file when it is time; a disk that takes none costs figures and nothing else."""
        if now.mono_s - self._told_s < EVERY_S:
            return
        self._told_s = now.mono_s
        figures = {
            "at_ms": now.utc_ms,
            "readings": {name: dict(grades) for name, grades in self._readings.items()},
            "renewals": dict(self._renewals),
            "tick": self._ticks.as_json(),
            "late": late.as_json(),
            "commit": writer.took.as_json(),
            "queues": {"inbox": inbox_depth, "writer": writer.queue_depth},
        }
        fresh = self._file.with_suffix(".json.new")
        try:
            fresh.write_text(json.dumps(figures), "utf-8")
            os.replace(fresh, self._file)
        except OSError as error:
            log.warning("figures cannot be left in %s: %s", self._file, error)
