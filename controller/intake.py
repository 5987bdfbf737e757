"""What came since the last tick: pauses, reports, readings and requests, taken into the state. Pure."""

from dataclasses import replace

from controller import latching, node_watch, requests
from controller.clock import Moment
from controller.heating import forget_control
from controller.plan import Plan
from controller.plant.construction import HeaterKind
from controller.plausibility import STUCK, judge
from controller.probe import Reading
from controller.probe_state import Judged, ProbeState, Watch, copied
from controller.safety import limits
from controller.state import NEVER, Inputs, State
from controller.store.journal import Entry


def after_gap(plan: Plan, state: State, inputs: Inputs, now: Moment) -> None:
    """Start afresh after a pause: old values count no more and the integral is gone (hazards C05, C06).

    After a new broker session too, only what was heard since then counts (hazard B01).
    """
    if state.began_s == NEVER:
        state.began_s = now.mono_s
        state.rearm_s = now.mono_s + _owed_to_reset_s(state, now)
    state.valid_from_s = max(state.valid_from_s, inputs.resumed_s)
    if state.ticked_s is not None and now.mono_s - state.ticked_s > plan.longest_gap_s:
        forget_control(state)
        state.valid_from_s = now.mono_s


def _owed_to_reset_s(state: State, now: Moment) -> float:
    """[s] that heat has still to wait after the last reset, of an earlier life perhaps (hazard O02)."""
    since_s = min([(now.utc_ms - at_ms) / 1000 for _, at_ms in state.standing.resets], default=limits.RESET_SPAN_S)
    return limits.REARM_AFTER_RESET_S - max(since_s, 0.0)


def take_reports(plan: Plan, state: State, inputs: Inputs, now: Moment) -> None:
    """Take what the node says of its contacts, and count each closing.

    What is closed behind a silence that outlasts its lease has closed anew, as on record (`heater_log`).
    """
    silent_s = max(limits.LONGEST_LEASE_S, 2 * plan.tick_s)
    for report in inputs.reports:
        before = state.node
        changed = before is None or before.on != report.on
        off_long = not state.order.on and now.mono_s - max(state.heat_s, state.began_s) > limits.LONGEST_LEASE_S
        if before is not None and report.drops > before.drops:
            state.lapsed_s = report.arrived_s
        state.watch = node_watch.heard(state.watch, before, report, off_long)
        state.node = report
        if changed:
            state.contact_since_ms = report.arrived_ms
        if report.on:
            state.heat_s = max(state.heat_s, report.arrived_s)
            if before is None or not before.on or report.arrived_s - before.arrived_s > silent_s:
                state.standing = replace(state.standing, closings=state.standing.closings + 1)
    state.watch = node_watch.spoken_to(state.watch, inputs.seq, state.node, now.mono_s)


def take_readings(plan: Plan, state: State, inputs: Inputs) -> tuple[tuple[Reading, Judged], ...]:
    """Judge every reading."""
    if not inputs.readings:
        return ()
    probes, judged = state.probes.copy(), []
    over: dict[str, float] = {}
    watches, resumed_s = plan.watches, inputs.resumed_s
    for reading in inputs.readings:
        name = reading.probe
        watch = watches[name]
        verdict = judge(watch, probes[name], reading, resumed_s)
        probes[name] = probe = verdict.state
        judged.append((reading, verdict))
        if watch.is_air and reading.value >= plan.air_no_heat_c and probe.compared_s == reading.arrived_s:
            state.air_hot_s, state.air_hot_probe = reading.arrived_s, name
        if probe.over and probe.compared_s == reading.arrived_s:
            over[name] = max(probe.over_value, over.get(name, probe.over_value))
    state.probes = probes
    for name, value in over.items():
        _keep_over(probes, name, value)
    return tuple(judged)


def _keep_over(probes: dict[str, ProbeState], name: str, value: float) -> None:
    """A sample over its limit counts for this tick, whatever the same probe has said since the last one."""
    probe = probes[name] = copied(probes[name])
    probe.over_highest = value
    if not probe.over:
        probe.over, probe.over_value = True, value


def mark_frozen(plan: Plan, state: State, inputs: Inputs, now: Moment) -> None:
    """Mark temperatures that stay the same to the last digit, above all while the heater works (hazard P10)."""
    # The duty outlives a blip of a permissive, and so does this: on a poor link there is a blip every few minutes.
    works = state.duty > limits.AT_WORK_DUTY
    state.worked_s = _since(state.worked_s, works, now)
    state.apart_s = _since(state.apart_s, works and _apart(state), now)
    if not inputs.readings:
        return  # only by saying the same once more does a probe show that it is stuck
    for each in plan.warmed:
        if _is_stuck(plan, state, each):
            stuck = copied(state.probes[each.name])
            stuck.frozen, stuck.reason = True, STUCK
            state.probes = {**state.probes, each.name: stuck}


def _since(before_s: float | None, holds: bool, now: Moment) -> float | None:
    if not holds:
        return None
    return now.mono_s if before_s is None else before_s


def _apart(state: State) -> bool:
    """Whether the soil is so far from what is asked that heat must move it: near it, good control keeps it still."""
    if state.soil_c is None:
        return state.apart_s is not None
    return state.asked_c is not None and state.asked_c - state.soil_c > limits.APART_K


def _must_move_since_s(plan: Plan, state: State, watch: Watch) -> float | None:
    """[s] since when the heater must have moved this probe, or None where nothing says that it must."""
    if watch.is_soil:
        return state.apart_s
    if watch.is_air and plan.expected.kind is HeaterKind.SOIL_CABLE:
        return None
    return state.worked_s


def _is_stuck(plan: Plan, state: State, watch: Watch) -> bool:
    """Whether a probe has said the same for too long; one that is silent is not stuck but stale."""
    probe = state.probes[watch.name]
    changed_s, noted_s = probe.changed_s, probe.noted_s
    if changed_s is None or noted_s is None or probe.frozen or noted_s - changed_s <= limits.FROZEN_AT_WORK_S:
        return False
    since_s = _must_move_since_s(plan, state, watch)
    at_work_s = 0.0 if since_s is None else noted_s - max(changed_s, since_s)
    return noted_s - changed_s > limits.FROZEN_S or at_work_s > limits.FROZEN_AT_WORK_S


def take_requests(plan: Plan, state: State, inputs: Inputs, now: Moment, entries: list[Entry]) -> None:
    """Answer every request, and end a time of work that has run out."""
    for request in inputs.requests:
        gone = {each.name: latching.cause_gone(plan, state, each, now) for each in state.standing.trips}
        urgent = frozenset(each.name for each in state.alerts if each.urgent)
        answer = requests.answer(plan, state.standing, request, gone, now, urgent)
        entries.extend(answer.entries)
        if answer.standing.trial is not None and answer.standing.trial.request == request.id:
            state.trial_request = request.id
        state.standing = answer.standing
        if answer.was_reset:
            state.rearm_s = now.mono_s + limits.REARM_AFTER_RESET_S
    _after_work(plan, state, now, entries)


def _after_work(plan: Plan, state: State, now: Moment, entries: list[Entry]) -> None:
    until_ms = state.standing.at_work_until_ms
    if until_ms is not None and now.utc_ms >= until_ms:
        why = "the time of work there is over; arm it when you have looked"
        entries.append(Entry("disarmed", plan.name, "soilward", why, {}, now.utc_ms))
        state.standing = replace(state.standing, armed=False, at_work_until_ms=None)
