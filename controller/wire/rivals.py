"""Rivals: another controller that connects under our name makes the broker end our session; in the end we yield."""

from collections import deque
from dataclasses import dataclass, field

SESSION_TAKEN_OVER = 0x8E
"""Reason code of DISCONNECT. Source: MQTT 5.0, section 3.14.2.1. Not every broker sends it."""

TAKEOVERS = 3
SPAN_S = 60.0
"""[s] So many takeovers within this are a fight, not a restart. Source: engineering judgement."""

HOLDS_OUT = 4
"""So many times longer does one of two fight on, of the same pace, so that not both yield. Source: as above."""


@dataclass(slots=True)
class Rivals:
    """How often our session was taken over lately.

    Parameters
    ----------
    have_won
        Stays true: two controllers that fight for a name help nobody, and only a person can tell which is right.
    """

    have_won: bool = False
    _times_s: deque[float] = field(default_factory=lambda: deque(maxlen=TAKEOVERS * HOLDS_OUT))

    def took_over(self, now_s: float, holds_out: bool = False) -> bool:
        """Take one takeover; returns whether to connect no more, which who `holds_out` leaves to the other for long."""
        self._times_s.append(now_s)
        times = HOLDS_OUT if holds_out else 1
        most = TAKEOVERS * times
        if len(self._times_s) >= most and now_s - self._times_s[-most] <= SPAN_S * times:
            self.have_won = True
        return self.have_won
