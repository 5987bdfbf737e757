"""How long something took, counted by size."""

from bisect import bisect_left
from dataclasses import dataclass, field
from typing import Any

BOUNDS_S = (0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 10.0)
"""[s] upper bounds of the buckets of every duration."""


@dataclass(slots=True)
class Durations:
    """One count per bucket, the last one for all that is longer, and the sum [s]."""

    counts: list[int] = field(default_factory=lambda: [0] * (len(BOUNDS_S) + 1))
    total_s: float = 0.0

    def take(self, seconds: float) -> None:
        """Count one."""
        self.counts[bisect_left(BOUNDS_S, seconds)] += 1
        self.total_s += seconds

    def as_json(self) -> dict[str, Any]:
        """Return it as JSON; not cumulative."""
        return {"bounds_s": BOUNDS_S, "counts": list(self.counts), "total_s": self.total_s}
