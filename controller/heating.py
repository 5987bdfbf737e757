"""From soil to wanted heat: the set point asked for, the control value, the duty and its window. Pure."""

import statistics

from controller import ground, hearing, pairs, permits
from controller.clock import Moment
from controller.control import cycle, foresight, pid, schedule, terms
from controller.control.thermal import ThermalModel
from controller.control.tuned import gains_of, standing_sun_w_m2
from controller.plan import CONTROL_PERIOD_S, Plan
from controller.plant.sun import is_dark
from controller.safety import limits
from controller.standing import Standing
from controller.state import State
from controller.tuning import pulses

FORGET_AFTER_S = 600.0
"""[s] Held off longer than this, control starts afresh. Source: engineering judgement."""

TOO_WARM_K, STORED_WARM_K = 2.0, 2.75
"""[K] Soil so far above the working set point is not heated at all: at 3 K heat latches off (hazard C09). The second
holds for a plan's heat alone, stored before a night beyond the heater. Source: engineering judgement."""
WARM_REST_S = 120.0
"""[s] After an opening, soil that was too warm begins no window sooner: noise about that bound closes no contact more
often than thirty times an hour. Source: hazards, invariant I12."""
ANSWERED_K = 0.05
"""[K] A set point that moves so far from one tick to the next is somebody's word, no ramp: it is answered at once."""
FOLLOWS_S = 3600.0
"""[s] lag of the integral behind a plan that is followed. Source: engineering judgement."""


def forget_control(state: State) -> None:
    """Leave nothing of the loop: the next heat starts afresh."""
    state.integral, state.duty, state.planned = 0.0, 0.0, False
    state.controlled_s = state.cycle = state.working_c = state.terms = None


def compare_pairs(plan: Plan, state: State, now: Moment) -> None:
    """Note which probes at one place differ, and since when."""
    if plan.pairs:
        state.differing = pairs.since_when(
            plan.pairs, lambda each: hearing.said_lately(state, each, now), state.differing, now.mono_s
        )


def _soil(plan: Plan, state: State, now: Moment) -> float | None:
    """Return the control value: the median of the believed probes, the warmest where two at one place disagree."""
    usable = state.usable
    values = [usable[each.name] for each in plan.soil if each.name in usable]
    if not values:
        return None
    if state.differing:
        heard = {each.name for each in plan.soil if each.name in usable}
        at_odds = pairs.differing(state.differing, limits.PAIR_ALERT_K, limits.PAIR_ALERT_S, now.mono_s)
        if any(one in heard and other in heard for one, other in at_odds):
            return max(values)
    return statistics.median(values)


def asked(
    plan: Plan, standing: Standing, now: Moment, known: foresight.Foresight | None = None
) -> tuple[float | None, str]:
    """Return the set point asked for [Cel], or None, and who asks: person, schedule, floor or none.

    No higher one counts than holds now: a person's was bounded as it was asked, and settings may have changed since.
    """
    value, who = _wished(plan, standing, now)
    return (None if value is None else min(value, ground.highest_c(plan, known))), who


def _wished(plan: Plan, standing: Standing, now: Moment) -> tuple[float | None, str]:
    until = standing.override_until_ms
    if standing.override_c is not None and (until is None or now.utc_ms < until):
        return standing.override_c, "person"
    if not now.wall_is_believable:
        return plan.floor_c, "floor"
    value = plan.schedule.asked_c(now.utc_ms)
    return value, ("none" if value is None else "schedule")


def control(plan: Plan, state: State, now: Moment) -> bool:
    """Return whether control wants heat at this instant."""
    state.soil_c = soil_c = _soil(plan, state, now)
    asked_before_c = state.asked_c
    state.asked_c, state.asked_by = asked(plan, state.standing, now, state.foresight)
    if state.asked_c is None or state.standing.trips or not state.standing.armed:
        forget_control(state)
        return False
    if soil_c is None or (state.lost and any(each.name != permits.RIGHT_WAY.name for each in state.lost)):
        _wait(state, now)
        return False
    if _is_due(plan, state, asked_before_c, soil_c, now):
        _new_duty(plan, state, soil_c, state.asked_c, now)
    if _is_too_warm(plan, state, soil_c):
        # Weather's share and the rest of a window are no reason to heat soil that the sun has warmed.
        state.duty, state.cycle = 0.0, _rest(state, now)
        return False
    into_s = _into_window_s(plan, now) if _begins(state, now) else 0.0
    state.cycle, wanted = cycle.advance(plan.times, state.cycle, state.duty, now.mono_s, into_s)
    rested = state.order.on or now.mono_s - state.opened_s >= plan.times.least_off_s
    # A lease that lapsed has opened the contact too: it rests as long as after an opening of ours (hazard R10).
    return wanted and rested and now.mono_s - state.lapsed_s >= plan.times.least_off_s


def _is_due(plan: Plan, state: State, asked_before_c: float | None, soil_c: float, now: Moment) -> bool:
    """Whether the duty is to be computed: now and then, at another set point, as a trial turns, for a window begun."""
    if state.controlled_s is None or asked_before_c is None or state.asked_c is None:
        return True
    since_s = now.mono_s - state.controlled_s
    if since_s <= 0.0:
        return False  # one instant ticked twice: no loop can be computed over no time
    if since_s >= CONTROL_PERIOD_S or abs(state.asked_c - asked_before_c) > ANSWERED_K:
        return True
    if pulses.duty_of(state.standing.trial, now.utc_ms) != state.tried:
        return True
    return _begins(state, now) and not _is_too_warm(plan, state, soil_c)


def _begins(state: State, now: Moment) -> bool:
    """Whether a window is to begin."""
    return state.cycle is None or now.mono_s >= state.cycle.ends_s


def _is_too_warm(plan: Plan, state: State, soil_c: float) -> bool:
    """Whether the soil is so warm that there is no heat, whatever the duty."""
    if state.working_c is None:
        return False
    most_k = STORED_WARM_K if state.planned and state.duty > 0.0 else TOO_WARM_K
    return soil_c > state.working_c + most_k or soil_c > plan.warmest_c


def _rest(state: State, now: Moment) -> cycle.Cycle | None:
    """Return the rest after an opening that soil too warm begins with, or None where it is over (hazard C13)."""
    ends_s = (now.mono_s if state.order.on else state.opened_s) + WARM_REST_S
    return cycle.Cycle(ends_s, now.mono_s) if now.mono_s < ends_s else None


def _into_window_s(plan: Plan, now: Moment) -> float:
    """[s] Windows begin two minutes after the half hour, when the planner has spoken; late by a little is on time."""
    window_s = plan.times.window_s
    into_s = (now.utc_ms / 1000 - foresight.TAKEN_AFTER_S) % window_s
    return into_s if window_s / 10 < into_s < window_s - plan.times.least_on_s else 0.0


def _wait(state: State, now: Moment) -> None:
    """Stand still while a permissive is missing: a blip must not cost the night its integral; a long absence does."""
    if state.controlled_s is not None and now.mono_s - state.controlled_s > FORGET_AFTER_S:
        forget_control(state)


def _new_duty(plan: Plan, state: State, soil_c: float, asked_c: float, now: Moment) -> None:
    """Compute the duty: feedback on the soil's error, what the weather asks, and the plan where there is one."""
    since = CONTROL_PERIOD_S if state.controlled_s is None else now.mono_s - state.controlled_s
    elapsed_s = min(since, max(2 * CONTROL_PERIOD_S, 2 * plan.tick_s))
    state.working_c = working_c = schedule.toward(state.working_c, asked_c, soil_c, plan.ramp_k_per_h, elapsed_s)
    known = state.foresight
    tuned = known.tuned if known is not None and known.tuned is not None else plan.tuned
    outside_c = hearing.mean_usable(state, plan.outside)
    gains = plan.own_gains or (tuned.gains if outside_c is not None else gains_of(tuned.model, alone=True))
    sun_w_m2 = _sun_w_m2(plan, state, tuned.model, outside_c, soil_c, now)
    weather = terms.followed(state.terms, tuned.forward, working_c, outside_c, sun_w_m2, elapsed_s)
    result = pid.duty_for(gains, working_c, soil_c, state.integral, elapsed_s, weather.weather)
    state.controlled_s = now.mono_s
    tried = pulses.duty_of(state.standing.trial, now.utc_ms)
    if tried != state.tried:
        state.cycle, state.tried = cycle.cut(state.cycle, now.mono_s), tried
    if tried is not None:
        # The integral stands still: what a trial does to the soil is no error of the loop's.
        state.duty, state.planned = tried, False
        state.terms = terms.with_plan(weather, result.proportional + state.integral, tried)
        return
    planned = foresight.planned_duty(known, now.utc_ms, asked_c, soil_c, result.duty)
    state.integral = result.integral
    if planned is not None:
        state.integral = _taken_along(state.integral, planned - weather.weather - result.proportional, elapsed_s)
    state.duty, state.planned = (result.duty, False) if planned is None else (planned, True)
    state.terms = terms.with_plan(weather, result.proportional + result.integral, planned)


def _sun_w_m2(
    plan: Plan, state: State, model: ThermalModel, outside_c: float | None, soil_c: float, now: Moment
) -> float | None:
    """Return the light [W/m2] of the believed probes, or what the warmth of the air stands for, or None."""
    if plan.light:
        return hearing.mean_usable(state, plan.light)
    air_c = hearing.mean_usable(state, plan.air)
    if air_c is None or outside_c is None:
        return None
    if now.wall_is_believable and is_dark(now.utc_ms // 60_000, plan.latitude, plan.longitude):
        return 0.0
    return standing_sun_w_m2(model, air_c, outside_c, soil_c, state.duty)


def _taken_along(integral: float, wanted: float, elapsed_s: float) -> float:
    """Let the integral follow what the plan does, so that nothing jumps when there is a plan no more."""
    share = min(elapsed_s / FOLLOWS_S, 1.0)
    return min(max(integral + (wanted - integral) * share, -1.0), 1.0)
