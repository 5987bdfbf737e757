"""How often a password may be tried."""

import threading
from collections import deque

SPAN_S = 60.0
"""[s] Tries are counted over this span."""

TRIES_OF_A_NAME = 5
"""Tries of one name within the span. Source: engineering judgement."""

TRIES_FROM_AN_ADDRESS = 20
"""Tries from one address within the span: one that never stops trying leaves room for everybody else."""

TRIES_OF_ALL = 60
"""Tries of all names within the span: the machine also has to answer those who are signed in."""


class Tries:
    """Counts tries per name, per address, and over all; those outside the span are forgotten."""

    def __init__(self) -> None:
        self._times: dict[tuple[str, str], deque[float]] = {}
        self._lock = threading.Lock()

    def wait_s(self, name: str, address: str, now_s: float) -> float:
        """Count one try and return 0, or, if it is one too many, return how long to wait [s]."""
        bounds = {
            ("name", name): TRIES_OF_A_NAME,
            ("address", address): TRIES_FROM_AN_ADDRESS,
            ("all", ""): TRIES_OF_ALL,
        }
        with self._lock:
            self._forget(now_s)
            for key, most in bounds.items():
                times = self._times.get(key, deque())
                if len(times) >= most:
                    return max(1.0, times[0] + SPAN_S - now_s)
            for key in bounds:
                self._times.setdefault(key, deque()).append(now_s)
        return 0.0

    def _forget(self, now_s: float) -> None:
        for key in list(self._times):
            times = self._times[key]
            while times and times[0] <= now_s - SPAN_S:
                times.popleft()
            if not times:
                del self._times[key]
