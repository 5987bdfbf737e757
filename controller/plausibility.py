"""Is this reading possible, is it about now, and may control believe it?

The order is fixed: possible at all, about now, *compared with the trips*, then whether control may use it. So nothing
here can hide a hot reading from a trip.
"""

from copy import copy
from dataclasses import dataclass
from typing import Final

from controller.clock import OLDEST_BELIEVABLE_MS
from controller.probe import TEMPERATURES, Quantity, Reading
from controller.safety import limits
from controller.status import Grade

POSSIBLE: Final[dict[Quantity, tuple[float, float]]] = {
    **dict.fromkeys(TEMPERATURES, (limits.WORKING_RANGE_C[0], limits.HIGHEST_POSSIBLE_C)),
    Quantity.HUMIDITY: (0.0, 100.0),
    Quantity.LIGHT: (-10.0, 2000.0),
    Quantity.CURRENT: (0.0, 100.0),
    Quantity.CONTACT: (0.0, 1.0),
}
"""What each quantity can be, in its SI unit; outside it, it is no measurement."""

CLOCK_CREEP = 0.01
"""How fast a probe's clock may drift against ours and still be called the same clock. Source: engineering judgement."""

SLOPE_SPAN_S = 60.0
"""[s] Span of the rise rule. Source: hazards, limit 'air rate of rise'."""

RECENT_SPACING_S = 2.0
"""[s] Values kept for the rise and step rules lie at least this far apart: a fast probe crowds out no minute."""


@dataclass(frozen=True, slots=True)
class Watch:
    """What is known of a probe before it speaks. Over-limits are None where the quantity has none."""

    name: str
    quantity: Quantity
    level_m: float | None
    period_s: float
    stale_after_s: float
    over: float | None
    over_at_once: float | None


@dataclass(slots=True)
class ProbeState:
    """What a probe has said. `judge` works on a copy of its own and never on the one it is given.

    Parameters
    ----------
    value, heard_s
        The last value control may use and when it came [s], or None.
    said, said_s, grade, reason
        The last value of any grade.
    compared_s
        [s] receipt of the last value that was compared with the trips; `over_value` is that value.
    over, over_count, over_s
        Whether the last sample was over the limit, how many were within an hour of one another, and when the last [s].
    rise_count
        Samples over the limit of rise, in a row.
    offset_s
        [s] our monotonic receipt less the probe's stamp, at its smallest: how its clock and ours lie.
    recent
        (receipt [s], value) of the last minute and a little more, oldest first.
    """

    value: float | None = None
    heard_s: float | None = None
    said: float | None = None
    said_s: float | None = None
    grade: Grade = Grade.REFUSED
    reason: str = "not heard yet"
    over: bool = False
    over_count: int = 0
    over_s: float = float("-inf")
    over_value: float = 0.0
    compared_s: float | None = None
    rise_k_per_min: float | None = None
    rise_count: int = 0
    offset_s: float | None = None
    admitted_ms: int | None = None
    stampless_s: float | None = None
    source: str = ""
    rivals_until_s: float = float("-inf")
    steps: int = 0
    quarantined_until_s: float = float("-inf")
    recent: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True)
class Judged:
    """The probe's new state and what became of the reading; `taken_ms` [ms UTC] is what it is filed under."""

    state: ProbeState
    grade: Grade
    reason: str
    taken_ms: int


def fresh(watch: Watch, state: ProbeState, now_s: float, valid_from_s: float) -> bool:
    """Whether control may use the probe's value now: believed, young enough, and heard since the last gap."""
    heard = state.heard_s
    if heard is None or heard < valid_from_s or now_s - heard > watch.stale_after_s:
        return False
    return now_s >= state.quarantined_until_s and state.steps == 0 and now_s >= state.rivals_until_s


def judge(watch: Watch, before: ProbeState, reading: Reading, resumed_s: float) -> Judged:
    """Judge one reading.

    Parameters
    ----------
    resumed_s
        [s] when the broker session last began; unstamped messages right after it may have waited in a queue.
    """
    state = copy(before)
    low, high = POSSIBLE[watch.quantity]
    value = reading.value
    if not low <= value <= high:
        return _refused(state, reading, f"{value:g} is outside the possible {low:g} to {high:g}")
    age_s, offset_s = _age(state, reading)
    taken_ms = reading.stamp_ms
    if age_s < -limits.FUTURE_STAMP_REFUSE_S:
        return _refused(state, reading, f"stamped {-age_s:.0f} s in the future")
    if taken_ms - reading.arrived_ms > limits.FUTURE_STAMP_MARK_S * 1000:
        taken_ms = reading.arrived_ms
    if reading.retained:
        return Judged(state, Grade.HISTORY, "retained by the broker", taken_ms)
    if age_s > watch.stale_after_s:
        late = f"taken {age_s:.0f} s before it came"
        state.said, state.said_s, state.grade, state.reason = value, reading.arrived_s, Grade.HISTORY, late
        return Judged(state, Grade.HISTORY, late, taken_ms)
    state.offset_s = offset_s
    _compare_with_trips(watch, state, reading)
    return _for_control(watch, state, reading, taken_ms, resumed_s)


def _age(state: ProbeState, reading: Reading) -> tuple[float, float | None]:
    """Return age [s] and the clock offset to remember.

    Two estimates: by the wall clocks, and by how this probe's stamps have lain before. The nearer to zero is
    taken, so a jump of either wall clock alone changes nothing (hazard T01).
    """
    if reading.taken_ms is None:
        return 0.0, state.offset_s
    wall_s = (reading.arrived_ms - reading.taken_ms) / 1000
    if reading.arrived_ms < OLDEST_BELIEVABLE_MS:
        # Our own clock is lost (hazard T03): only how this probe's stamps have lain before can tell.
        wall_s = 0.0
    offset_s = reading.arrived_s - reading.taken_ms / 1000
    if state.offset_s is None or state.said_s is None:
        return wall_s, offset_s
    expected = state.offset_s + CLOCK_CREEP * max(reading.arrived_s - state.said_s, 0.0)
    relative_s = offset_s - expected
    age_s = wall_s if abs(wall_s) <= abs(relative_s) else relative_s
    kept = min(expected, offset_s) if abs(relative_s) <= limits.STALE_CAP_S else offset_s
    return age_s, kept


def _refused(state: ProbeState, reading: Reading, reason: str) -> Judged:
    state.said, state.said_s, state.grade, state.reason = reading.value, reading.arrived_s, Grade.REFUSED, reason
    return Judged(state, Grade.REFUSED, reason, reading.stamp_ms)


def _compare_with_trips(watch: Watch, state: ProbeState, reading: Reading) -> None:
    """Count samples over the limit, and measure the rise of air, before anything may doubt them."""
    value = reading.value
    over = watch.over is not None and value >= watch.over
    count = state.over_count
    if over:
        count = 1 + (count if reading.arrived_s - state.over_s <= limits.OVER_REMEMBERED_S else 0)
        state.over_s = reading.arrived_s
        if watch.over_at_once is not None and value >= watch.over_at_once:
            count = max(count, 2)
    state.over, state.over_count, state.over_value = over, count, value
    state.compared_s = reading.arrived_s
    if watch.quantity is Quantity.AIR or watch.quantity is Quantity.SOIL:
        state.recent = _remember(watch, state, reading)
    if watch.quantity is Quantity.AIR:
        state.rise_k_per_min = rise = _rise(state.recent)
        rises = rise is not None and rise >= limits.AIR_RISE_K_PER_MIN
        state.rise_count = state.rise_count + 1 if rises else 0


def _remember(watch: Watch, state: ProbeState, reading: Reading) -> tuple[tuple[float, float], ...]:
    """Return the values of a minute and a little more, the newest always among them."""
    oldest_s = reading.arrived_s - SLOPE_SPAN_S - 2 * max(watch.period_s, RECENT_SPACING_S)
    recent = [each for each in state.recent if each[0] >= oldest_s]
    if len(recent) > 1 and reading.arrived_s - recent[-2][0] < max(watch.period_s / 4, RECENT_SPACING_S):
        recent.pop()
    return (*recent, (reading.arrived_s, reading.value))


def _rise(recent: tuple[tuple[float, float], ...]) -> float | None:
    """Return the rise [K/min] over at least a minute, or None while less is known."""
    newest_s, newest = recent[-1]
    for earlier_s, earlier in reversed(recent):
        if newest_s - earlier_s >= SLOPE_SPAN_S:
            return (newest - earlier) * 60 / (newest_s - earlier_s)
    return None


def _for_control(watch: Watch, state: ProbeState, reading: Reading, taken_ms: int, resumed_s: float) -> Judged:
    queued = _may_have_queued(watch, state, reading, resumed_s)
    state.said, state.said_s = reading.value, reading.arrived_s
    if reading.taken_ms is None:
        state.stampless_s = reading.arrived_s
    if queued:
        return Judged(state, Grade.HISTORY, "unstamped and may have waited in the broker", taken_ms)
    grade, doubt = _doubt(watch, state, reading, taken_ms)
    state.grade, state.reason = grade, doubt
    if not doubt:
        state.value, state.heard_s = reading.value, reading.arrived_s
    return Judged(state, grade, doubt, taken_ms)


def _doubt(watch: Watch, state: ProbeState, reading: Reading, taken_ms: int) -> tuple[Grade, str]:
    """Return why control may not use the reading, or GOOD and ""."""
    _note_source(watch, state, reading)
    if reading.arrived_s < state.rivals_until_s:
        return Grade.REFUSED, "two senders claim this probe"
    spacing_s = watch.period_s if state.admitted_ms is None else (taken_ms - state.admitted_ms) / 1000
    if 0 <= spacing_s < watch.period_s / 4:
        return Grade.REFUSED, "came too soon after the one before"
    state.admitted_ms = taken_ms
    if watch.quantity in TEMPERATURES and reading.value > limits.WORKING_RANGE_C[1]:
        return Grade.DOUBTED, f"{reading.value:g} is above the working range {limits.WORKING_RANGE_C[1]:g}"
    if watch.quantity is Quantity.SOIL:
        stepped = _step(state, reading)
        if stepped:
            return Grade.DOUBTED, stepped
    return Grade.GOOD, ""


def _may_have_queued(watch: Watch, state: ProbeState, reading: Reading, resumed_s: float) -> bool:
    """Whether an unstamped message may be a leftover: until the probe has paused once since the session began."""
    if reading.taken_ms is not None or resumed_s == float("-inf"):
        return False
    if state.heard_s is not None and state.heard_s >= resumed_s:
        return False
    last_s = resumed_s if state.stampless_s is None else max(state.stampless_s, resumed_s)
    return reading.arrived_s - last_s < watch.period_s / 2


def _note_source(watch: Watch, state: ProbeState, reading: Reading) -> None:
    if reading.source == state.source or not reading.source:
        return
    lately = state.heard_s is not None and reading.arrived_s - state.heard_s <= watch.stale_after_s
    # While two quarrel nothing is believed, so what was heard grows old: each further change keeps the quarrel alive.
    if state.source and (lately or reading.arrived_s < state.rivals_until_s):
        state.rivals_until_s = reading.arrived_s + watch.stale_after_s
    state.source = reading.source


def _step(state: ProbeState, reading: Reading) -> str:
    """Apply the soil step rule; the second step in a row is a fault for half an hour, one alone is a spike."""
    now_s, reference, at_s = reading.arrived_s, state.value, state.heard_s
    if reference is None or at_s is None:
        return ""
    moved = abs(reading.value - reference)
    if now_s < state.quarantined_until_s:
        lately = [value for when, value in state.recent[:-1] if now_s - when <= limits.SOIL_STEP_SPAN_S]
        if lately and max(abs(reading.value - each) for each in lately) > limits.SOIL_STEP_K:
            state.quarantined_until_s = now_s + limits.STEP_QUARANTINE_S
        state.value, state.heard_s, state.steps = reading.value, now_s, 0
        return "moved faster than soil can; believed again after half an hour of calm"
    if moved <= limits.SOIL_STEP_K * max(1.0, (now_s - at_s) / limits.SOIL_STEP_SPAN_S):
        state.steps = 0
        return ""
    state.steps += 1
    if state.steps < 2:
        return f"moved {moved:.1f} K at once; waiting for a second look"
    state.quarantined_until_s = now_s + limits.STEP_QUARANTINE_S
    state.value, state.heard_s, state.steps = reading.value, now_s, 0
    return f"moved {moved:.1f} K at once; soil cannot"
