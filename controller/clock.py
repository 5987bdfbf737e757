"""Time: the only module that reads a clock.

Monotonic seconds carry leases, ages and steps; UTC milliseconds carry records.
"""

import time
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import lru_cache
from typing import Final

OLDEST_BELIEVABLE_MS = 1_767_225_600_000
"""[ms] 2026-01-01T00:00Z. A wall clock that reads earlier has lost its battery (hazard T03)."""


@dataclass(slots=True)
class Moment:
    """One instant on both clocks. Every message, tick and line for the disk asks for several.

    Parameters
    ----------
    mono_s
        [s] monotonic, arbitrary origin, never steps back.
    utc_ms
        [ms] since 1970-01-01T00:00Z; may jump when the wall clock is set.
    """

    mono_s: Final[float]
    utc_ms: Final[int]

    def later(self, seconds: float) -> "Moment":
        """Return the moment `seconds` [s] after this one, on both clocks."""
        return Moment(self.mono_s + seconds, self.utc_ms + round(seconds * 1000))

    @property
    def wall_is_believable(self) -> bool:
        """Whether the wall clock can be used for schedules."""
        return self.utc_ms >= OLDEST_BELIEVABLE_MS


_STEADY = getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC)
"""Counts on while the machine sleeps, so that a suspend is seen as the gap it is (hazards C05, T06)."""


class Clock:
    """The machine's own clocks."""

    def now(self) -> Moment:
        """Return the present moment."""
        return Moment(time.clock_gettime(_STEADY), time.time_ns() // 1_000_000)

    def sleep(self, seconds: float) -> None:
        """Wait `seconds` [s]."""
        time.sleep(seconds)


class ManualClock(Clock):
    """A clock that moves only when told: tests, history and replay."""

    def __init__(self, start: Moment) -> None:
        self._now = start

    def now(self) -> Moment:
        """Return the moment this clock stands at."""
        return self._now

    def sleep(self, seconds: float) -> None:
        """Move on by `seconds` [s] at once."""
        self._now = self._now.later(seconds)

    def set_wall(self, utc_ms: int) -> None:
        """Jump the wall clock alone, as a person or a time server would."""
        self._now = Moment(self._now.mono_s, utc_ms)


def rfc3339(utc_ms: int) -> str:
    """Write UTC milliseconds as RFC 3339 with milliseconds and a Z."""
    seconds, ms = divmod(utc_ms, 1000)
    return f"{_whole_second(seconds)}.{ms:03d}Z"


@lru_cache(maxsize=1024)  # a thousand enclosures tell of the same second
def _whole_second(utc_s: int) -> str:
    return datetime.fromtimestamp(utc_s, UTC).isoformat()[:19]


def from_rfc3339(text: str) -> int:
    """Read RFC 3339 text as UTC milliseconds.

    Raises
    ------
    ValueError
        If the text is no RFC 3339 time or has no offset.
    """
    try:
        moment = datetime.fromisoformat(text)
    except ValueError as error:
        raise ValueError(f"{text!r} is no time") from error
    if moment.tzinfo is None:
        raise ValueError(f"time {text!r} has no offset; write it with Z or +hh:mm")
    return round(moment.timestamp() * 1000)
