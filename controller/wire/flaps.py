"""Connections that come and go: how often one was lost lately."""

from collections import deque
from dataclasses import dataclass, field

FLAPS = 5
SPAN_S = 600.0
"""[s] A connection lost so often within this flaps. Source: hazard R10; engineering judgement."""


@dataclass(slots=True)
class Flaps:
    """One connection, ours or a node's."""

    _times_s: deque[float] = field(default_factory=lambda: deque(maxlen=FLAPS))

    def lost(self, now_s: float) -> bool:
        """Take one loss; returns whether it is worth a line of its own."""
        self._times_s.append(now_s)
        return not self.is_flapping(now_s)

    def is_flapping(self, now_s: float) -> bool:
        """Whether the last few losses all lie within ten minutes."""
        return len(self._times_s) == FLAPS and now_s - self._times_s[0] <= SPAN_S
