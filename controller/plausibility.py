"""Is this reading possible, is it about now, and may control believe it?

The order is fixed: possible at all, about now, *compared with the trips*, then whether control may use it. So nothing
here can hide a hot reading from a trip.
"""

from dataclasses import dataclass, replace
from typing import Final

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


@dataclass(frozen=True, slots=True)
class ProbeState:
    """What a probe has said.

    Parameters
    ----------
    value, heard_s
        The last value control may use and when it came [s], or None.
    said, said_s, grade, reason
        The last value of any grade.
    over_count
        Samples over the limit in a row.
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
    over_count: int = 0
    over_value: float = 0.0
    rise_k_per_min: float | None = None
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
    """The probe's new state and what became of the reading; `hot` says that a trip comparison failed."""

    state: ProbeState
    grade: Grade
    reason: str
    taken_ms: int
    hot: bool = False


def fresh(watch: Watch, state: ProbeState, now_s: float, valid_from_s: float) -> bool:
    """Whether control may use the probe's value now: believed, young enough, and heard since the last gap."""
    heard = state.heard_s
    if heard is None or heard < valid_from_s or now_s - heard > watch.stale_after_s:
        return False
    return now_s >= state.quarantined_until_s and state.steps == 0 and now_s >= state.rivals_until_s


def judge(watch: Watch, state: ProbeState, reading: Reading, resumed_s: float) -> Judged:
    """Judge one reading.

    Parameters
    ----------
    resumed_s
        [s] when the broker session last began; unstamped messages right after it may have waited in a queue.
    """
    low, high = POSSIBLE[watch.quantity]
    value = reading.value
    if not low <= value <= high:
        return _refused(state, reading, f"{value:g} is outside the possible {low:g} to {high:g}")
    age_s, offset_s = _age(state, reading)
    taken_ms = reading.stamp_ms
    if age_s < -limits.FUTURE_STAMP_REFUSE_S:
        return _refused(state, reading, f"stamped {-age_s:.0f} s in the future")
    if age_s < -limits.FUTURE_STAMP_MARK_S:
        taken_ms = reading.arrived_ms
    if reading.retained:
        return Judged(state, Grade.HISTORY, "retained by the broker", taken_ms)
    if age_s > watch.stale_after_s:
        return Judged(state, Grade.HISTORY, f"taken {age_s:.0f} s before it came", taken_ms)
    state = _compare_with_trips(watch, replace(state, offset_s=offset_s), reading)
    return _for_control(watch, state, reading, taken_ms, resumed_s)


def _age(state: ProbeState, reading: Reading) -> tuple[float, float | None]:
    """Return age [s] and the clock offset to remember.

    Two estimates: by the wall clocks, and by how this probe's stamps have lain before. The nearer to zero is
    taken, so a jump of either wall clock alone changes nothing (hazard T01).
    """
    if reading.taken_ms is None:
        return 0.0, state.offset_s
    wall_s = (reading.arrived_ms - reading.taken_ms) / 1000
    offset_s = reading.arrived_s - reading.taken_ms / 1000
    if state.offset_s is None or state.said_s is None:
        return wall_s, offset_s
    expected = state.offset_s + CLOCK_CREEP * max(reading.arrived_s - state.said_s, 0.0)
    relative_s = offset_s - expected
    age_s = min(wall_s, relative_s, key=abs)
    kept = min(expected, offset_s) if abs(relative_s) <= limits.STALE_CAP_S else offset_s
    return age_s, kept


def _refused(state: ProbeState, reading: Reading, reason: str) -> Judged:
    told = replace(state, said=reading.value, said_s=reading.arrived_s, grade=Grade.REFUSED, reason=reason)
    return Judged(told, Grade.REFUSED, reason, reading.stamp_ms)


def _compare_with_trips(watch: Watch, state: ProbeState, reading: Reading) -> ProbeState:
    """Count samples over the limit, and measure the rise of air, before anything may doubt them."""
    value = reading.value
    count = 0
    if watch.over is not None and value >= watch.over:
        count = state.over_count + 1
        if watch.over_at_once is not None and value >= watch.over_at_once:
            count = max(count, 2)
    rise = None
    recent = state.recent
    if watch.quantity in {Quantity.AIR, Quantity.SOIL}:
        span_s = SLOPE_SPAN_S + watch.period_s
        earlier = (each for each in recent if reading.arrived_s - each[0] <= span_s)
        recent = (*earlier, (reading.arrived_s, value))
        rise = _rise(recent) if watch.quantity is Quantity.AIR else None
    return replace(state, over_count=count, over_value=value, rise_k_per_min=rise, recent=recent[-40:])


def _rise(recent: tuple[tuple[float, float], ...]) -> float | None:
    """Return the rise [K/min] over at least a minute, or None while less is known."""
    newest_s, newest = recent[-1]
    for earlier_s, earlier in reversed(recent):
        if newest_s - earlier_s >= SLOPE_SPAN_S:
            return (newest - earlier) * 60 / (newest_s - earlier_s)
    return None


def _for_control(watch: Watch, state: ProbeState, reading: Reading, taken_ms: int, resumed_s: float) -> Judged:
    hot = state.over_count > 0
    queued = _may_have_queued(watch, state, reading, resumed_s)
    state = replace(state, said=reading.value, said_s=reading.arrived_s)
    if reading.taken_ms is None:
        state = replace(state, stampless_s=reading.arrived_s)
    if queued:
        return Judged(state, Grade.HISTORY, "unstamped and may have waited in the broker", taken_ms, hot)
    state = _note_source(watch, state, reading)
    if reading.arrived_s < state.rivals_until_s:
        return _not_used(state, Grade.REFUSED, "two senders claim this probe", taken_ms, hot)
    spacing_s = (taken_ms - state.admitted_ms) / 1000 if state.admitted_ms is not None else watch.period_s
    if 0 <= spacing_s < watch.period_s / 4:
        return _not_used(state, Grade.REFUSED, "came too soon after the one before", taken_ms, hot)
    state = replace(state, admitted_ms=taken_ms)
    if watch.quantity in TEMPERATURES and reading.value > limits.WORKING_RANGE_C[1]:
        reason = f"{reading.value:g} is above the working range {limits.WORKING_RANGE_C[1]:g}"
        return _not_used(state, Grade.DOUBTED, reason, taken_ms, hot)
    if watch.quantity is Quantity.SOIL:
        state, doubt = _step(state, reading)
        if doubt:
            return _not_used(state, Grade.DOUBTED, doubt, taken_ms, hot)
    believed = replace(state, value=reading.value, heard_s=reading.arrived_s, grade=Grade.GOOD, reason="")
    return Judged(believed, Grade.GOOD, "", taken_ms, hot)


def _not_used(state: ProbeState, grade: Grade, reason: str, taken_ms: int, hot: bool) -> Judged:
    return Judged(replace(state, grade=grade, reason=reason), grade, reason, taken_ms, hot)


def _may_have_queued(watch: Watch, state: ProbeState, reading: Reading, resumed_s: float) -> bool:
    """Whether an unstamped message may be a leftover: until the probe has paused once since the session began."""
    if reading.taken_ms is not None or resumed_s == float("-inf"):
        return False
    last = state.stampless_s
    if state.heard_s is not None and state.heard_s >= resumed_s:
        return False
    since_s = reading.arrived_s - (max(last, resumed_s) if last is not None else resumed_s)
    return since_s < watch.period_s / 2


def _note_source(watch: Watch, state: ProbeState, reading: Reading) -> ProbeState:
    if reading.source and state.source and reading.source != state.source:
        recently = state.heard_s is not None and reading.arrived_s - state.heard_s <= watch.stale_after_s
        until = reading.arrived_s + watch.stale_after_s if recently else state.rivals_until_s
        return replace(state, source=reading.source, rivals_until_s=until)
    return state if reading.source == state.source else replace(state, source=reading.source or state.source)


def _step(state: ProbeState, reading: Reading) -> tuple[ProbeState, str]:
    """Apply the soil step rule; the second step in a row is a fault for half an hour, one alone is a spike."""
    now_s = reading.arrived_s
    reference, at_s = state.value, state.heard_s
    if reference is None or at_s is None:
        return state, ""
    allowed = limits.SOIL_STEP_K * max(1.0, (now_s - at_s) / limits.SOIL_STEP_SPAN_S)
    earlier = [value for when, value in state.recent[:-1] if now_s - when <= limits.SOIL_STEP_SPAN_S]
    stepped = abs(reading.value - reference) > allowed
    if now_s < state.quarantined_until_s:
        restless = bool(earlier) and max(abs(reading.value - each) for each in earlier) > limits.SOIL_STEP_K
        until = now_s + limits.STEP_QUARANTINE_S if restless else state.quarantined_until_s
        reason = "moved faster than soil can; believed again after half an hour of calm"
        return replace(state, value=reading.value, heard_s=now_s, steps=0, quarantined_until_s=until), reason
    if not stepped:
        return replace(state, steps=0), ""
    if state.steps + 1 >= 2:
        until = now_s + limits.STEP_QUARANTINE_S
        reason = f"moved {abs(reading.value - reference):.1f} K at once; soil cannot"
        return replace(state, value=reading.value, heard_s=now_s, steps=0, quarantined_until_s=until), reason
    return replace(state, steps=1), f"moved {abs(reading.value - reference):.1f} K at once; waiting for a second look"
