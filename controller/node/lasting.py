"""How long something has been so."""

from dataclasses import dataclass


@dataclass(slots=True)
class Lasting:
    """One condition over time."""

    since_s: float | None = None

    def seconds(self, holds: bool, now_s: float) -> float:
        """Return [s] it has held without a break, as seen at each look; 0 when it does not, or has just begun."""
        if not holds:
            self.since_s = None
            return 0.0
        if self.since_s is None:
            self.since_s = now_s
        return now_s - self.since_s
