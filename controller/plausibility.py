"""Is this reading possible, is it about now, and may control believe it?

The order is fixed: possible at all, about now, *compared with the trips*, then whether control may use it. So nothing
here can hide a hot reading from a trip.
"""

import math
from typing import Final

from controller import stamps
from controller.probe import Reading
from controller.probe_state import Judged, ProbeState, Watch, copied
from controller.safety import limits
from controller.status import Grade
from controller.steadiness import LONGEST_STRIDE_S, drifted_k, half_steps, is_rough, leapt_k, remembered, roughness_k2

TOO_OFTEN = 30
"""Readings refused as too soon within a minute that are worth an alert. Source: engineering judgement."""

FUTURE_STAMP_MARK_MS: Final = round(limits.FUTURE_STAMP_MARK_S * 1000)

_GOOD: Final = (Grade.GOOD, "")
"""What nearly every reading gets."""

STUCK = "stuck: the same to the last digit for too long"

QUEUED = "without a stamp it may have waited in the broker; believed after a pause of half its period_s"

SLOPE_SPAN_S = 60.0
"""[s] Span of the rise rule. Source: hazards, limit 'air rate of rise'."""

RECENT_SPACING_S = 2.0
"""[s] Values kept for the rise and step rules lie at least this far apart: a fast probe crowds out no minute."""


def judge(watch: Watch, before: ProbeState, reading: Reading, resumed_s: float) -> Judged:
    """Judge one reading.

    Parameters
    ----------
    resumed_s
        [s] when the broker session last began; unstamped messages right after it may have waited in a queue.
    """
    state = copied(before)
    stamps.note(watch, state, reading)
    low, high = watch.possible
    value = reading.value
    if not low <= value <= high:
        return _refused(state, reading, f"{value:g} is outside the possible {low:g} to {high:g}")
    age_s, offset_s = stamps.age(state, reading)
    taken_ms = reading.arrived_ms if reading.taken_ms is None else reading.taken_ms
    if age_s < -limits.FUTURE_STAMP_REFUSE_S:
        return _refused(state, reading, f"stamped {-age_s:.0f} s in the future: its clock is wrong, or this machine's")
    if taken_ms - reading.arrived_ms > FUTURE_STAMP_MARK_MS:
        taken_ms = reading.arrived_ms
    if reading.retained:
        return Judged(state, Grade.HISTORY, "retained by the broker", taken_ms)
    if age_s > watch.stale_after_s:
        late = stamps.CLOCK_STANDS if state.repeats >= stamps.REPEATS else f"taken {age_s:.0f} s before it came"
        state.said, state.said_s, state.grade, state.reason = value, reading.arrived_s, Grade.HISTORY, late
        return Judged(state, Grade.HISTORY, late, taken_ms)
    state.offset_s = offset_s
    again = reading.taken_ms is not None and (reading.taken_ms, value) == (before.stamp_ms, before.said)
    # From the third time on it is a clock that stands, and the samples are many.
    _compare_with_trips(watch, state, reading, is_new=not again or state.repeats >= stamps.REPEATS)
    return _for_control(watch, state, reading, taken_ms, resumed_s)


def _refused(state: ProbeState, reading: Reading, reason: str) -> Judged:
    state.said, state.said_s, state.grade, state.reason = reading.value, reading.arrived_s, Grade.REFUSED, reason
    return Judged(state, Grade.REFUSED, reason, reading.stamp_ms)


def _compare_with_trips(watch: Watch, state: ProbeState, reading: Reading, *, is_new: bool) -> None:
    """Count samples over the limit, and measure the rise of air, before anything may doubt them.

    One that was told twice is over its limit, but no second one (hazards P22, B09).
    """
    value, arrived_s, limit = reading.value, reading.arrived_s, watch.over
    if limit is None and not watch.is_air:
        state.over_value, state.compared_s = value, arrived_s
        return
    over = limit is not None and value >= limit
    count = state.over_count
    if state.over and not over and reading.taken_ms is not None and reading.taken_ms < state.over_ms:
        return
    if over:
        state.over_ms = max(reading.taken_ms or 0, state.over_ms)
        lately = count if arrived_s - state.over_s <= limits.OVER_REMEMBERED_S else 0
        count = max(1, lately + is_new)
        state.over_s = arrived_s
        if watch.over_at_once is not None and value >= watch.over_at_once:
            count = max(count, 2)
    state.over, state.over_count, state.over_value = over, count, value
    if is_new or state.compared_s is None:
        state.compared_s = arrived_s
    if watch.is_air:
        state.recent = _remember(watch, state, reading)
        state.rise_k_per_min = rise = _rise(state.recent)
        rises = rise is not None and rise >= limits.AIR_RISE_K_PER_MIN
        state.rise_count = max(1, state.rise_count + is_new) if rises else 0


def _remember(watch: Watch, state: ProbeState, reading: Reading) -> tuple[tuple[float, float], ...]:
    """Return the values of a minute and a little more, the newest always among them."""
    arrived_s, period_s, recent = reading.arrived_s, watch.period_s, state.recent
    oldest_s = arrived_s - SLOPE_SPAN_S - 2.0 * (period_s if period_s > RECENT_SPACING_S else RECENT_SPACING_S)
    first, end = 0, len(recent)
    while first < end and recent[first][0] < oldest_s:
        first += 1
    if end - first > 1:
        apart_s = arrived_s - recent[-2][0]
        if apart_s < RECENT_SPACING_S or apart_s < 0.25 * period_s:
            end -= 1
    return (*recent[first:end], (arrived_s, reading.value))


def _rise(recent: tuple[tuple[float, float], ...]) -> float | None:
    """Return the rise [K/min] over at least a minute, or None while less is known."""
    (newest_s, newest), before = recent[-1], None
    for each in recent:
        if newest_s - each[0] < SLOPE_SPAN_S:
            break
        before = each
    return None if before is None else (newest - before[1]) * 60.0 / (newest_s - before[0])


def _for_control(watch: Watch, state: ProbeState, reading: Reading, taken_ms: int, resumed_s: float) -> Judged:
    value, arrived_s = reading.value, reading.arrived_s
    state.said, state.said_s = value, arrived_s
    if reading.taken_ms is None:
        queued = _may_have_queued(watch, state, arrived_s, resumed_s)
        state.stampless_s = arrived_s
        if queued:
            state.grade, state.reason = Grade.HISTORY, QUEUED
            return Judged(state, Grade.HISTORY, QUEUED, taken_ms)
    grade, doubt = _doubt(watch, state, reading, taken_ms)
    state.grade, state.reason = grade, doubt
    if not doubt:
        state.value, state.heard_s = value, arrived_s
    return Judged(state, grade, doubt, taken_ms)


def _doubt(watch: Watch, state: ProbeState, reading: Reading, taken_ms: int) -> tuple[Grade, str]:
    """Return why control may not use the reading, or GOOD and ""."""
    if reading.source and reading.source != state.source:
        _note_source(watch, state, reading)
    if reading.arrived_s < state.rivals_until_s:
        return Grade.REFUSED, "two senders claim this probe"
    spacing_s = _spacing_s(watch, state, reading, taken_ms)
    if 0.0 <= spacing_s < 0.25 * watch.period_s:
        _count_too_soon(state, reading.arrived_s)
        if state.repeats >= stamps.REPEATS:
            return Grade.REFUSED, stamps.CLOCK_STANDS
        return Grade.REFUSED, "came too soon after the one before"
    state.admitted_ms, state.admitted_s = taken_ms, reading.arrived_s
    if watch.is_temperature:
        _note_movement(watch, state, reading)
        if reading.value > limits.WORKING_RANGE_C[1]:
            return Grade.DOUBTED, f"{reading.value:g} is above the working range {limits.WORKING_RANGE_C[1]:g}"
    if watch.is_soil:
        stepped = _step(watch, state, reading)
        if stepped:
            return Grade.DOUBTED, stepped
    if state.frozen:
        return Grade.DOUBTED, STUCK
    if state.rough:
        return Grade.DOUBTED, f"varies by more than {limits.NOISIEST_K:g} K from one reading to the next"
    return _GOOD


def _spacing_s(watch: Watch, state: ProbeState, reading: Reading, taken_ms: int) -> float:
    """Return the time [s] since the last value that came in its time; the probe's period before the first.

    By its stamps; without one by our monotonic clock: it was filed by one that may be set back.
    """
    if state.admitted_ms is None:
        return watch.period_s
    if reading.taken_ms is None:
        return reading.arrived_s - state.admitted_s
    return (taken_ms - state.admitted_ms) / 1000


def _count_too_soon(state: ProbeState, now_s: float) -> None:
    if now_s - state.too_soon_since_s > 60.0:
        state.too_soon_since_s, state.too_soon = now_s, 0
    state.too_soon += 1
    if state.too_soon >= TOO_OFTEN:
        state.hurried_s = now_s


def _note_movement(watch: Watch, state: ProbeState, reading: Reading) -> None:
    """Keep count of how the values move, whatever control makes of them."""
    value, arrived_s, earlier, earlier_s = reading.value, reading.arrived_s, state.noted, state.noted_s
    pause_s = math.inf if earlier_s is None else arrived_s - earlier_s
    if earlier is not None and pause_s <= LONGEST_STRIDE_S and (watch.is_soil or watch.is_air):
        stride_k = value - earlier
        state.roughness = roughness = roughness_k2(state.roughness, state.stride_k, stride_k, pause_s)
        state.stride_k, state.rough = stride_k, is_rough(roughness, state.rough)
    # A long silence shows nothing: one that says the same after it as before is not therefore stuck.
    if value != earlier or pause_s > limits.STALE_CAP_S:
        state.changed_s, state.frozen = arrived_s, False
    state.half_steps = half_steps(state.half_steps, earlier, value)
    state.noted, state.noted_s = value, arrived_s


def _may_have_queued(watch: Watch, state: ProbeState, arrived_s: float, resumed_s: float) -> bool:
    """Whether an unstamped message may be a leftover: until the probe has paused once since the session began."""
    if resumed_s == float("-inf"):
        return False
    if state.heard_s is not None and state.heard_s >= resumed_s:
        return False
    last_s = resumed_s if state.stampless_s is None else max(state.stampless_s, resumed_s)
    return arrived_s - last_s < watch.period_s / 2


def _note_source(watch: Watch, state: ProbeState, reading: Reading) -> None:
    lately = state.heard_s is not None and reading.arrived_s - state.heard_s <= watch.stale_after_s
    # While two quarrel nothing is believed, so what was heard grows old: each further change keeps the quarrel alive.
    if state.source and (lately or reading.arrived_s < state.rivals_until_s):
        state.rivals_until_s = reading.arrived_s + watch.stale_after_s
    state.source = reading.source


def _step(watch: Watch, state: ProbeState, reading: Reading) -> str:
    """Apply the soil step rule: one leap ends heat, a second or a drift is a fault for half an hour."""
    now_s, value = reading.arrived_s, reading.value
    leapt = leapt_k(state.believed, now_s, value, watch.block)
    believed = remembered(state.believed, now_s, value, watch.period_s, watch.block)
    drifted = drifted_k(believed, watch.block)
    if now_s < state.quarantined_until_s:
        if leapt is not None or drifted is not None:
            state.quarantined_until_s = now_s + limits.STEP_QUARANTINE_S
        state.value, state.heard_s, state.believed = value, now_s, believed
        return "moved faster than soil can; believed again after half an hour of calm"
    if leapt is not None and state.steps == 0:
        state.steps = 1
        return f"moved {abs(leapt):.1f} K at once; waiting for a second look"
    if leapt is None and drifted is None:
        state.steps, state.believed = 0, believed
        return ""
    state.quarantined_until_s = now_s + limits.STEP_QUARANTINE_S
    state.value, state.heard_s, state.steps, state.believed = value, now_s, 0, ((now_s, value),)
    moved = leapt if leapt is not None else drifted or 0.0
    return f"moved {abs(moved):.1f} K within a minute; soil cannot"
