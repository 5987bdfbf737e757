"""From soil to wanted heat: the set point asked for, the control value, the duty and its window. Pure."""

import statistics

from controller import pairs, permits
from controller.clock import Moment
from controller.control import cycle, pid, schedule
from controller.plan import CONTROL_PERIOD_S, Plan, dated
from controller.probe_state import Watch, fresh
from controller.safety import limits
from controller.standing import Standing
from controller.state import State

FORGET_AFTER_S = 600.0
"""[s] Held off longer than this, control starts afresh. Source: engineering judgement."""


def forget_control(state: State) -> None:
    """Leave nothing of the loop: the next heat starts afresh."""
    state.integral, state.duty = 0.0, 0.0
    state.controlled_s = state.cycle = state.working_c = None


def value_now(state: State, watch: Watch, now: Moment) -> float | None:
    """Return what a probe says now and is believed, or None."""
    probe = state.probes[watch.name]
    if not fresh(watch, probe, now.mono_s, state.valid_from_s):
        return None
    return probe.steady_c(max(state.valid_from_s, now.mono_s - watch.stale_after_s))


def mean_now(state: State, watches: tuple[Watch, ...], now: Moment) -> float | None:
    """Return the mean of the probes that are believed now, or None."""
    values = [value for each in watches if (value := value_now(state, each, now)) is not None]
    return statistics.fmean(values) if values else None


def compare_pairs(plan: Plan, state: State, now: Moment) -> None:
    """Note which probes at one place differ, and since when."""
    if plan.pairs:
        state.differing = pairs.since_when(
            plan.pairs, lambda each: value_now(state, each, now), state.differing, now.mono_s
        )


def _soil(plan: Plan, state: State, now: Moment) -> float | None:
    """Return the control value: the median of the believed probes, the warmest where two at one place disagree."""
    values = {each.name: value for each in plan.soil if (value := value_now(state, each, now)) is not None}
    if not values:
        return None
    at_odds = pairs.differing(state.differing, limits.PAIR_ALERT_K, limits.PAIR_ALERT_S, now.mono_s)
    if any(one in values and other in values for one, other in at_odds):
        return max(values.values())
    return statistics.median(values.values())


def asked(plan: Plan, standing: Standing, now: Moment) -> tuple[float | None, str]:
    """Return the set point asked for [Cel], or None, and who asks: person, schedule, floor or none."""
    until = standing.override_until_ms
    if standing.override_c is not None and (until is None or now.utc_ms < until):
        return standing.override_c, "person"
    if not now.wall_is_believable:
        return plan.floor_c, "floor"
    value = schedule.asked_c(dated(plan, now.utc_ms), now.utc_ms)
    return value, ("none" if value is None else "schedule")


def control(plan: Plan, state: State, now: Moment) -> bool:
    """Return whether control wants heat at this instant."""
    state.soil_c = soil_c = _soil(plan, state, now)
    state.asked_c, state.asked_by = asked(plan, state.standing, now)
    if state.asked_c is None or state.standing.trips or not state.standing.armed:
        forget_control(state)
        return False
    if soil_c is None or any(not each.holds and each.name != permits.RIGHT_WAY for each in state.permissives):
        _wait(state, now)
        return False
    if state.controlled_s is None or now.mono_s - state.controlled_s >= CONTROL_PERIOD_S:
        _new_duty(plan, state, soil_c, state.asked_c, now)
    state.cycle, wanted = cycle.advance(plan.times, state.cycle, state.duty, now.mono_s)
    rested = state.order.on or now.mono_s - state.opened_s >= plan.times.least_off_s
    # A lease that lapsed has opened the contact too: it rests as long as after an opening of ours (hazard R10).
    return wanted and rested and now.mono_s - state.lapsed_s >= plan.times.least_off_s


def _wait(state: State, now: Moment) -> None:
    """Stand still while a permissive is missing: a blip must not cost the night its integral; a long absence does."""
    if state.controlled_s is not None and now.mono_s - state.controlled_s > FORGET_AFTER_S:
        forget_control(state)


def _new_duty(plan: Plan, state: State, soil_c: float, asked_c: float, now: Moment) -> None:
    since = CONTROL_PERIOD_S if state.controlled_s is None else now.mono_s - state.controlled_s
    elapsed_s = min(since, max(2 * CONTROL_PERIOD_S, 2 * plan.tick_s))
    state.working_c = schedule.toward(state.working_c, asked_c, soil_c, plan.ramp_k_per_h, elapsed_s)
    result = pid.duty_for(plan.gains, state.working_c, soil_c, state.integral, elapsed_s)
    state.integral, state.duty, state.controlled_s = result.integral, result.duty, now.mono_s
