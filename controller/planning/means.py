"""Ten-minute means of what a planner needs, as a simulation or a record gives them."""

from collections import deque

import numpy as np

from controller.control.log import ARRAYS, Log

ROW_S = 600.0
KEPT_S = 4 * 86_400.0


class Means:
    """Rows of means, the oldest falling out after four days."""

    def __init__(self) -> None:
        self._rows: deque[tuple[float, ...]] = deque(maxlen=round(KEPT_S / ROW_S))
        self._sums = [0.0] * len(ARRAYS)
        self._counts = [0] * len(ARRAYS)
        self._row = -1
        self.ends_ms = 0

    def take(self, at_ms: int, values: tuple[float | None, ...]) -> bool:
        """Take one sample of `ARRAYS`; returns whether a row has just been finished before it."""
        row = at_ms // round(1000 * ROW_S)
        finished = self._row >= 0 and row != self._row
        if finished:
            self._finish(row)
        self._row = row
        for column, value in enumerate(values):
            if value is not None:
                self._sums[column] += value
                self._counts[column] += 1
        return finished

    def _finish(self, next_row: int) -> None:
        done = tuple(
            total / count if count else float("nan") for total, count in zip(self._sums, self._counts, strict=True)
        )
        empty = (float("nan"),) * len(ARRAYS)
        self._rows.append(done)
        for _ in range(min(next_row - self._row - 1, self._rows.maxlen or 0)):
            self._rows.append(empty)
        self._sums, self._counts = [0.0] * len(ARRAYS), [0] * len(ARRAYS)
        self.ends_ms = next_row * round(1000 * ROW_S)

    def log(self) -> Log:
        """Return the rows so far."""
        columns = np.array(self._rows).reshape(-1, len(ARRAYS)).T
        return Log(self.ends_ms, ROW_S, **dict(zip(ARRAYS, columns, strict=True)))
