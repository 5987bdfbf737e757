"""Duty to on and off: a window, shortest times, and remainders carried so that no heat is lost or gained."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class CycleTimes:
    """[s] window, shortest closing, shortest opening, longest closing and the rest after it."""

    window_s: float
    least_on_s: float
    least_off_s: float
    longest_on_s: float
    rest_s: float


@dataclass(frozen=True, slots=True)
class Cycle:
    """Where the window stands.

    Parameters
    ----------
    started_s, on_until_s
        [s] monotonic: when this window began and until when it is on.
    carry_s
        [s] on-time owed (positive) or given too much (negative).
    on_since_s
        [s] since when the output has been on without a break, or None.
    rest_until_s
        [s] the output stays off until then after a longest closing.
    """

    started_s: float
    on_until_s: float
    carry_s: float = 0.0
    on_since_s: float | None = None
    rest_until_s: float = 0.0


def _open_window(times: CycleTimes, duty: float, carry_s: float, now_s: float) -> tuple[float, float]:
    """Return on-time and the remainder carried."""
    due_s = duty * times.window_s + carry_s
    if duty <= 0.0:
        return 0.0, 0.0
    if due_s < times.least_on_s:
        return 0.0, due_s
    if due_s > times.window_s - times.least_off_s:
        return times.window_s, max(due_s - times.window_s, -times.window_s)
    return due_s, 0.0


def advance(times: CycleTimes, cycle: Cycle | None, duty: float, now_s: float) -> tuple[Cycle, bool]:
    """Return the cycle at `now_s` and whether it asks for heat.

    A new window begins when the last one ended; the duty is taken at its beginning. A duty of 0 ends the on part at
    once only where the caller withholds permission: within a window the promise stands, so contacts are spared.
    """
    if cycle is None or now_s - cycle.started_s >= times.window_s:
        carry = cycle.carry_s if cycle is not None and now_s - cycle.started_s < 2 * times.window_s else 0.0
        on_s, carry = _open_window(times, duty, min(carry, times.window_s), now_s)
        rest = cycle.rest_until_s if cycle else 0.0
        cycle = Cycle(now_s, now_s + on_s, carry, cycle.on_since_s if cycle else None, rest)
    asks = now_s < cycle.on_until_s and now_s >= cycle.rest_until_s
    if asks and cycle.on_since_s is None and now_s > cycle.started_s:
        # A rest has cut into this window: what is left of it must still be a whole closing.
        asks = cycle.on_until_s - now_s >= times.least_on_s
    if asks and cycle.on_since_s is not None and now_s - cycle.on_since_s >= times.longest_on_s:
        rested = Cycle(cycle.started_s, cycle.on_until_s, cycle.carry_s, None, now_s + times.rest_s)
        return rested, False
    since = (cycle.on_since_s if cycle.on_since_s is not None else now_s) if asks else None
    if since != cycle.on_since_s:
        cycle = Cycle(cycle.started_s, cycle.on_until_s, cycle.carry_s, since, cycle.rest_until_s)
    return cycle, asks
