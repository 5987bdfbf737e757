"""Duty to on and off: a window, shortest times, and remainders carried so that no heat is lost or gained."""

from dataclasses import dataclass, replace


@dataclass(frozen=True, slots=True)
class CycleTimes:
    """[s] window, shortest closing, shortest opening, longest closing and the rest after it; and a tick.

    An on-time ends at the tick nearest to it: with coarse ticks, always the later one would give too much heat.
    """

    window_s: float
    least_on_s: float
    least_off_s: float
    longest_on_s: float
    rest_s: float
    tick_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Cycle:
    """Where the window stands; a rest is a window that asks for nothing.

    Parameters
    ----------
    ends_s, on_until_s
        [s] monotonic: when this window ends and until when it is on.
    carry_s
        [s] on-time owed (positive) or given too much (negative).
    on_since_s
        [s] since when the output has been on without a break, or None.
    """

    ends_s: float
    on_until_s: float
    carry_s: float = 0.0
    on_since_s: float | None = None


def _on_time(times: CycleTimes, duty: float, carry_s: float) -> tuple[float, float]:
    """Return on-time and the remainder carried."""
    due_s = duty * times.window_s + carry_s
    if duty <= 0.0:
        return 0.0, 0.0
    if due_s < times.least_on_s:
        return 0.0, due_s
    if due_s > times.window_s - times.least_off_s:
        return times.window_s, max(due_s - times.window_s, -times.window_s)
    return due_s, 0.0


def _next_window(times: CycleTimes, cycle: Cycle | None, duty: float, now_s: float, into_s: float) -> Cycle:
    owed_s = cycle.carry_s if cycle is not None and now_s - cycle.ends_s < times.window_s else 0.0
    window_s = times.window_s - into_s
    on_s, carry_s = _on_time(replace(times, window_s=window_s), duty, min(owed_s, window_s))
    return Cycle(now_s + window_s, now_s + on_s, carry_s, cycle.on_since_s if cycle else None)


def _rest(times: CycleTimes, cycle: Cycle, duty: float, now_s: float) -> Cycle:
    """Return the rest after a longest closing; what its window had still promised, and its own time, stay owed.

    The next window begins when the rest ends. So starts always lie a window apart, and 300 s means at most twelve
    an hour.
    """
    ends_s = now_s + times.rest_s
    owed_s = cycle.on_until_s - now_s + duty * (ends_s - cycle.ends_s)
    return Cycle(ends_s, now_s, cycle.carry_s + owed_s)


def cut(cycle: Cycle | None, now_s: float) -> Cycle | None:
    """Return a window that ends now and owes nothing; a closing that goes on lasts since its beginning all the same."""
    return None if cycle is None else replace(cycle, ends_s=now_s, carry_s=0.0)


def advance(
    times: CycleTimes, cycle: Cycle | None, duty: float, now_s: float, into_s: float = 0.0
) -> tuple[Cycle, bool]:
    """Return the cycle at `now_s` and whether it asks for heat.

    Parameters
    ----------
    into_s
        [s] how far into a window the clock stands: a window that begins late is so much shorter, and the next ones
        begin on time, when a plan has just been made.

    A new window begins when the last one ended; the duty is taken at its beginning. A duty of 0 ends the on part at
    once only where the caller withholds permission: within a window the promise stands, so contacts are spared.
    """
    if cycle is None or now_s >= cycle.ends_s:
        cycle = _next_window(times, cycle, duty, now_s, into_s)
    asks = now_s + 0.5 * times.tick_s < cycle.on_until_s
    if asks and cycle.on_since_s is not None and now_s - cycle.on_since_s >= times.longest_on_s:
        return _rest(times, cycle, duty, now_s), False
    since_s = (now_s if cycle.on_since_s is None else cycle.on_since_s) if asks else None
    return (cycle if since_s == cycle.on_since_s else replace(cycle, on_since_s=since_s)), asks
