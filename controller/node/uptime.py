"""Seconds since boot from a 32-bit count of milliseconds that wraps after 49.71 days. Pure."""

from dataclasses import dataclass

SPAN = 2**32


@dataclass(slots=True)
class Uptime:
    """A clock that goes on over the wrap.

    Parameters
    ----------
    millis
        [ms] the count at boot.
    """

    millis: int
    _elapsed_ms: int = 0

    def seconds(self, millis: int) -> float:
        """Return [s] since boot for a count read now, the last one less than 49.71 days ago.

        The unsigned difference is right across the wrap; comparing the counts themselves is not (hazard N16).
        """
        self._elapsed_ms += (millis - self.millis) % SPAN
        self.millis = millis % SPAN
        return self._elapsed_ms / 1000
