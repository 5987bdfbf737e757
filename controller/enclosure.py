"""One enclosure's tick: (state, inputs, now) -> (state, order, entries). Pure: no socket, file, thread or clock.

One reading's way: `take_readings` judges it and counts it against the trips, `control` turns soil into a duty,
`permissives` and the gate decide, and the decision carries what the shell must send and write.
"""

import statistics
from dataclasses import dataclass, replace

from controller import permits, requests
from controller.clock import Moment
from controller.control import cycle, pid, schedule
from controller.plan import CONTROL_PERIOD_S, Plan, dated
from controller.plant.sun import solar_position_at
from controller.plausibility import Judged, ProbeState, Watch, fresh, judge
from controller.probe import Reading
from controller.safety import gate, lease, limits, trip
from controller.safety.interlock import Permissive
from controller.standing import Standing
from controller.state import Inputs, State
from controller.store.journal import JSON, Entry

FORGET_AFTER_S = 600.0
"""[s] Held off longer than this, control starts afresh. Source: engineering judgement."""


@dataclass(frozen=True, slots=True)
class Decision:
    """What the shell must do: send the order if `send`, write entries, keep readings with their grades."""

    order: lease.Order
    send: bool
    entries: tuple[Entry, ...]
    judged: tuple[tuple[Reading, Judged], ...]


def start(plan: Plan, standing: Standing) -> State:
    """Return the state of an enclosure that has heard nothing yet."""
    return State(standing, {name: ProbeState() for name in plan.watches})


def step(plan: Plan, state: State, inputs: Inputs, now: Moment) -> tuple[State, Decision]:
    """Decide one tick."""
    entries: list[Entry] = []
    state = _after_gap(plan, state, inputs, now)
    state = _take_reports(state, inputs, now)
    state, judged = _take_readings(plan, state, inputs)
    state = _take_requests(plan, state, inputs, now, entries)
    state = _latch(plan, state, now, entries)
    state, wanted = _control(plan, state, now)
    state = _against_inversion(plan, state, wanted, now, entries)
    permissives = permits.examine(plan, state, inputs, now)
    state = _tell_permissives(plan, state, permissives, now, entries)
    order = gate.decide(wanted, state.standing.armed, permissives, state.standing.trips)
    if state.order.on and not order.on:
        state = replace(state, opened_s=now.mono_s)
    if order.on:
        state = replace(state, heat_s=now.mono_s)
    # What cannot be sent was not sent: the first tick after a reconnect sends whatever stands then.
    before = state.sent if inputs.connected else None
    send = inputs.connected and lease.due(order, before, now.mono_s)
    sent = lease.Sent(order, now.mono_s) if send else before
    state = replace(state, permissives=permissives, order=order, sent=sent, ticked_s=now.mono_s)
    return state, Decision(order, send, tuple(entries), judged)


def _tell_permissives(
    plan: Plan, state: State, permissives: tuple[Permissive, ...], now: Moment, entries: list[Entry]
) -> State:
    """Journal a permissive lost while armed, and its return; what was never there at a start is no news."""
    lost = {each.name: each for each in permissives if not each.holds}
    if not state.standing.armed or (not state.permissives and not state.told_lost):
        return state if not state.told_lost else replace(state, told_lost=frozenset())
    before = {each.name for each in state.permissives if not each.holds}
    new = lost.keys() - before
    back = state.told_lost - lost.keys()
    if not new and not back:
        return state
    for name in sorted(new):
        entries.append(Entry("held-off", plan.name, "soilward", lost[name].detail, {"permissive": name}, now.utc_ms))
    for name in sorted(back):
        entries.append(Entry("free-again", plan.name, "soilward", f"{name} again", {"permissive": name}, now.utc_ms))
    return replace(state, told_lost=(state.told_lost | new) - back)


def _after_gap(plan: Plan, state: State, inputs: Inputs, now: Moment) -> State:
    """Start afresh after a pause: old values count no more and the integral is gone (hazards C05, C06).

    After a new broker session too, only what was heard since then counts (hazard B01).
    """
    if inputs.resumed_s > state.valid_from_s:
        state = replace(state, valid_from_s=inputs.resumed_s)
    if state.ticked_s is None or now.mono_s - state.ticked_s <= plan.longest_gap_s:
        return state
    return replace(_forget_control(state), valid_from_s=now.mono_s)


def _forget_control(state: State) -> State:
    if state.controlled_s is None and state.cycle is None and state.duty == 0.0:
        return state
    return replace(state, integral=0.0, duty=0.0, controlled_s=None, cycle=None, working_c=None)


def _take_reports(state: State, inputs: Inputs, now: Moment) -> State:
    for report in inputs.reports:
        changed = state.node is None or state.node.on != report.on
        since = report.arrived_ms if changed else state.contact_since_ms
        heat_s = report.arrived_s if report.on else state.heat_s
        state = replace(state, node=report, contact_since_ms=since, heat_s=max(state.heat_s, heat_s))
    return state


def _take_readings(plan: Plan, state: State, inputs: Inputs) -> tuple[State, tuple[tuple[Reading, Judged], ...]]:
    if not inputs.readings:
        return state, ()
    probes, judged = dict(state.probes), []
    hot_s, hot_probe = state.air_hot_s, state.air_hot_probe
    air = {watch.name for watch in plan.air}
    for reading in inputs.readings:
        verdict = judge(plan.watches[reading.probe], probes[reading.probe], reading, inputs.resumed_s)
        probes[reading.probe] = verdict.state
        judged.append((reading, verdict))
        compared = verdict.state.compared_s == reading.arrived_s
        if compared and reading.probe in air and reading.value >= plan.air_no_heat_c:
            hot_s, hot_probe = reading.arrived_s, reading.probe
    return replace(state, probes=probes, air_hot_s=hot_s, air_hot_probe=hot_probe), tuple(judged)


def _take_requests(plan: Plan, state: State, inputs: Inputs, now: Moment, entries: list[Entry]) -> State:
    for request in inputs.requests:
        gone = {each.name: cause_gone(plan, state, each, now) for each in state.standing.trips}
        answer = requests.answer(plan, state.standing, request, gone, now)
        entries.extend(answer.entries)
        rearm_s = now.mono_s + limits.REARM_AFTER_RESET_S if answer.was_reset else state.rearm_s
        state = replace(state, standing=answer.standing, rearm_s=rearm_s)
    return state


def cause_gone(plan: Plan, state: State, latched: trip.Trip, now: Moment) -> bool:
    """Whether the probe that showed the trip is heard now and no longer shows it."""
    watch = plan.watches.get(latched.probe)
    if watch is None:
        return True
    probe = state.probes[latched.probe]
    heard = probe.compared_s is not None and now.mono_s - probe.compared_s <= watch.stale_after_s
    return heard and not probe.over and probe.rise_count == 0 and not _still_warm(plan, watch, probe)


def _still_warm(plan: Plan, watch: Watch, probe: ProbeState) -> bool:
    """Air that tripped must be back under the no-heat limit, not merely under the fire limit."""
    return watch in plan.air and probe.over_value >= plan.air_no_heat_c


def _latch(plan: Plan, state: State, now: Moment, entries: list[Entry]) -> State:
    heats = []
    for watch in (*plan.soil, *plan.surface, *plan.air):
        probe = state.probes[watch.name]
        if (probe.over or probe.rise_count) and watch.over is not None:
            heat = trip.Heat(
                watch.name, watch.quantity.value, probe.over_value, watch.over,
                probe.over_count if probe.over else 0, probe.rise_k_per_min, probe.rise_count,
            )  # fmt: skip
            heats.append(heat)
    if not heats:
        return state
    lately = now.mono_s - state.heat_s <= limits.HEATER_LATELY_ON_S
    dark = not now.wall_is_believable or _sun_is_down(plan, now)
    return latch(plan, state, trip.new_trips(heats, lately or dark, now.utc_ms), now, entries)


def _sun_is_down(plan: Plan, now: Moment) -> bool:
    zenith_deg, _ = solar_position_at(now.utc_ms, plan.latitude, plan.longitude)
    return zenith_deg > 90.0


def latch(plan: Plan, state: State, new: list[trip.Trip], now: Moment, entries: list[Entry]) -> State:
    """Latch trips and journal those that are new."""
    trips, added = trip.latch(state.standing.trips, new)
    for each in added:
        body: dict[str, JSON] = {"trip": each.name, "probe": each.probe, "value": each.value, "limit": each.limit}
        entries.append(Entry("trip", plan.name, "soilward", each.detail, body, now.utc_ms))
    return replace(state, standing=replace(state.standing, trips=trips)) if added else state


def _fresh_soil(plan: Plan, state: State, now: Moment) -> list[float]:
    values = []
    for watch in plan.soil:
        probe = state.probes[watch.name]
        if fresh(watch, probe, now.mono_s, state.valid_from_s) and probe.value is not None:
            values.append(probe.value)
    return values


def asked(plan: Plan, standing: Standing, now: Moment) -> tuple[float | None, str]:
    """Return the set point asked for [Cel], or None, and who asks: person, schedule, floor or none."""
    until = standing.override_until_ms
    if standing.override_c is not None and (until is None or now.utc_ms < until):
        return standing.override_c, "person"
    if not now.wall_is_believable:
        return plan.floor_c, "floor"
    value = schedule.asked_c(dated(plan, now.utc_ms), now.utc_ms)
    return value, ("none" if value is None else "schedule")


def _control(plan: Plan, state: State, now: Moment) -> tuple[State, bool]:
    soil = _fresh_soil(plan, state, now)
    value, source = asked(plan, state.standing, now)
    soil_c = statistics.median(soil) if soil else None
    state = replace(state, soil_c=soil_c, asked_c=value, asked_by=source)
    if value is None or state.standing.trips or not state.standing.armed:
        return _forget_control(state), False
    if soil_c is None or any(not each.holds and each.name != permits.RIGHT_WAY for each in state.permissives):
        return _wait(state, now), False
    if state.controlled_s is None or now.mono_s - state.controlled_s >= CONTROL_PERIOD_S:
        state = _new_duty(plan, state, soil_c, value, now)
    window, wanted = cycle.advance(plan.times, state.cycle, state.duty, now.mono_s)
    rested = state.order.on or now.mono_s - state.opened_s >= plan.times.least_off_s
    return replace(state, cycle=window), wanted and rested


def _wait(state: State, now: Moment) -> State:
    """Stand still while a permissive is missing: a blip must not cost the night its integral; a long absence does."""
    if state.controlled_s is not None and now.mono_s - state.controlled_s > FORGET_AFTER_S:
        return _forget_control(state)
    return state


def _new_duty(plan: Plan, state: State, soil_c: float, asked_c: float, now: Moment) -> State:
    since = CONTROL_PERIOD_S if state.controlled_s is None else now.mono_s - state.controlled_s
    elapsed_s = min(since, max(2 * CONTROL_PERIOD_S, 2 * plan.tick_s))
    working_c = schedule.toward(state.working_c, asked_c, soil_c, plan.ramp_k_per_h, elapsed_s)
    result = pid.duty_for(plan.gains, working_c, soil_c, state.integral, elapsed_s)
    return replace(state, working_c=working_c, integral=result.integral, duty=result.duty, controlled_s=now.mono_s)


def _against_inversion(plan: Plan, state: State, wanted: bool, now: Moment, entries: list[Entry]) -> State:
    """Heat asked for well above the set point is a fault of ours; twice running, it latches (hazard C09)."""
    soil_c, working_c = state.soil_c, state.working_c
    inverted = (
        wanted and soil_c is not None and working_c is not None and (soil_c > working_c + limits.ABOVE_SET_POINT_K)
    )
    if not inverted:
        return state if state.inverted == 0 else replace(state, inverted=0)
    state = replace(state, inverted=state.inverted + 1)
    if state.inverted < 2:
        return state
    detail = f"heat was asked for with the soil at {soil_c:.1f} Cel, more than 3 K above the set point"
    return latch(
        plan, state, [trip.Trip(trip.TripKind.INVERTED, "", soil_c, working_c, now.utc_ms, detail)], now, entries
    )
