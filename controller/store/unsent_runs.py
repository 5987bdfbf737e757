"""Which heater runs were not sent yet: each once it has ended, and again what became known later of why."""

import sqlite3
from typing import Any

from controller.store.batch import MOST_OTHERS, MOST_READINGS, Batch
from controller.store.points import Points


class UnsentRuns:
    """Puts into a batch what goes next of one state of the record: use it within a snapshot.

    Runs are come to in order of their numbers (line `runs`). One that is still open, at most one of each enclosure, is
    left aside by its number (`open/...`). To ask for each enclosure's runs takes longer with every run on record: 0.4 s
    for a million, at each look (measured).
    """

    def __init__(self, record: sqlite3.Connection, points: Points, batch: Batch) -> None:
        self._record, self._points, self._batch = record, points, batch

    def take(self) -> None:
        """Take the runs that have ended, and then what more was said of those sent."""
        own = self._batch.name_of("runs")
        reached = self._batch.counted(self._record, own, "heater_run", "start_ms")
        for line, number in self._left_open():
            if number > reached:  # a backup was put back, without it
                self._batch.reach(line, 0)
            else:
                self._run(*self._record.execute(_RUN, (number,)).fetchone())
        for run in self._batch.some(self._record.execute(_RUNS, (reached, MOST_READINGS)), MOST_READINGS):
            self._run(*run)
            self._batch.count(own, run[0], run[2])
        self._explained()

    def _left_open(self) -> list[tuple[str, int]]:
        start = f"{self._batch.record}/"
        lines = ((name.removeprefix(start), number) for name, number in self._batch.sent.items() if number)
        return [(line, number) for line, number in lines if line.startswith("open/")]

    def _run(self, number: int, enclosure: str, start_ms: int, end_ms: int | None, *said: Any) -> None:
        line = f"open/{enclosure}"
        left_open = self._batch.reached(line)
        if end_ms is not None:
            self._batch.points.append(self._points.run(enclosure, start_ms, end_ms, *said))
        if left_open != (still := number if end_ms is None else 0):
            self._batch.reach(line, still)

    def _explained(self) -> None:
        """Take the runs of which more was said once they were sent; those not sent yet will go with all their words."""
        own = self._batch.name_of("explained")
        reached = self._batch.counted(self._record, own, "explained", "run_id")
        found = self._record.execute(_EXPLAINED, (reached, MOST_OTHERS))
        for number, run, enclosure, *told in self._batch.some(found, MOST_OTHERS):
            self._batch.count(own, number, run)
            if run > self._batch.reached("runs") or run == self._batch.reached(f"open/{enclosure}"):
                continue
            anew = self._points.run(enclosure, *told) if self._points.replaces else None
            self._batch.points.append(anew or self._points.explained(enclosure, told[0], told[-1], number))


_RUNS = """SELECT id, enclosure, start_ms, end_ms, energy_j, ended_by FROM heater_run
WHERE id > ? ORDER BY id LIMIT ?"""
_RUN = "SELECT id, enclosure, start_ms, end_ms, energy_j, ended_by FROM heater_run WHERE id = ?"
_EXPLAINED = """SELECT explained.id, run_id, enclosure, start_ms, end_ms, energy_j, ended_by
FROM explained JOIN heater_run ON heater_run.id = run_id WHERE explained.id > ? ORDER BY explained.id LIMIT ?"""
