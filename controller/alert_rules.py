"""Which alerts stand now: what a person should know although heat need not stop for it. Pure."""

from collections.abc import Iterator

from controller import node_watch, pairs, requests
from controller.alerts import Alert
from controller.clock import Moment
from controller.ground import Ground, ground, highest_c
from controller.plan import Plan
from controller.probe import Quantity
from controller.probe_state import ProbeState, Watch
from controller.safety import limits
from controller.safety.trip import TripKind
from controller.state import NEVER, Inputs, State
from controller.steadiness import HALF_STEPS_SURE

DEAF_S = 120.0
"""[s] A node that has booted refuses what may have been obeyed before, for a minute. Source: engineering judgement."""

CLOSED_S = 2 * limits.LONGEST_LEASE_S
"""[s] after which a contact that is told to open has opened, whatever was lost. Source: engineering judgement."""

CLOSED_ABOVE = {Quantity.CONTACT: 0.5, Quantity.CURRENT: 0.1}
"""What a contact or current [A] probe of a plain relay says at least while the heater is on. Source: hazard N18."""

LEAKS_S = 3600.0
"""[s] How long the air must have been far too cold for the heat in it: a door is shut sooner. Source: simulation."""

HURRY_REMEMBERED_S = 120.0
"""[s] How long the alert lasts after a probe has sent far too often. Source: engineering judgement."""


def examine(plan: Plan, state: State, inputs: Inputs, now: Moment) -> Iterator[Alert]:
    """Yield every alert that stands now."""
    for name in state.odd:
        yield from _probe(plan.watches[name], state.probes[name], state, now)
    if state.differing:
        for one, other in pairs.differing(state.differing, limits.PAIR_ALERT_K, limits.PAIR_ALERT_S, now.mono_s):
            yield Alert(f"differ:{one}:{other}", f"probes '{one}' and '{other}' at one place differ by more than 3 K")
    if state.is_hot or state.air_hot_s != NEVER:
        yield from _air(plan, state, now)
    yield from _heat(plan, state, now)
    yield from _cover_and_ground(plan, state, now)
    if plan.node_reports:
        yield from _node(state, now)
    else:
        yield from _plain(plan, state)
    yield from _upkeep(plan, state, inputs, now)
    for name, words in inputs.notes:
        yield Alert(name, words)


def _probe(watch: Watch, probe: ProbeState, state: State, now: Moment) -> Iterator[Alert]:
    if watch.name not in state.usable:
        yield from _not_believed(watch, probe, state, now)
    if probe.half_steps >= HALF_STEPS_SURE:
        yield Alert(f"coarse:{watch.name}", f"{_who(watch)} speaks in steps of 0.5 K; set it to 12 bits")
    if now.mono_s - probe.hurried_s <= HURRY_REMEMBERED_S:
        detail = f"{_who(watch)} sends far more often than its period of {watch.period_s:g} s"
        yield Alert(f"too-often:{watch.name}", detail)


def _who(watch: Watch) -> str:
    return f"{watch.quantity} probe '{watch.name}'"


def _not_believed(watch: Watch, probe: ProbeState, state: State, now: Moment) -> Iterator[Alert]:
    since_s = max(state.began_s, state.valid_from_s, probe.heard_s if probe.heard_s is not None else state.began_s)
    silent = probe.said_s is None or now.mono_s - probe.said_s > watch.stale_after_s
    # Still soil may stand on one step of 1/16 K for long: the pause in heat shows whether the probe lives.
    patience_s = limits.FROZEN_AT_WORK_S if probe.frozen and not silent else watch.stale_after_s
    if now.mono_s - since_s > patience_s:
        why = " has gone quiet" if silent else f": {probe.reason or 'doubted'}"
        yield Alert(f"probe:{watch.name}", f"{_who(watch)}{why}")
    elif probe.reason and not silent and now.mono_s < probe.quarantined_until_s:
        yield Alert(f"probe:{watch.name}", f"{_who(watch)}: {probe.reason}")


def _air(plan: Plan, state: State, now: Moment) -> Iterator[Alert]:
    latched = any(each.kind in (TripKind.AIR_FIRE, TripKind.AIR_RISE) for each in state.standing.trips)
    for watch in plan.air:
        probe = state.probes[watch.name]
        if probe.over and not latched:
            detail = f"air at '{watch.name}' reads {probe.over_value:.1f} Cel: sun or fire, go and look"
            yield Alert("sun-or-fire", detail, urgent=True)
    if now.mono_s - state.air_hot_s < limits.AIR_SETTLE_S:
        yield Alert("hot-air", f"the air reached {plan.air_no_heat_c:.0f} Cel: open the vents")


def _heat(plan: Plan, state: State, now: Moment) -> Iterator[Alert]:
    short_s = state.response.short_s
    if short_s is not None and now.mono_s - short_s >= limits.SHORT_S:
        detail = f"full heat for {(now.mono_s - short_s) / 3600:.0f} h and the soil is more than 2 K too cold"
        yield Alert("cannot-hold", f"{detail}: cover it, or look for a torn film", urgent=True)
    if state.asked_c is not None and state.asked_c > plan.warmest_c:
        detail = (
            f"{state.asked_c:.1f} Cel are asked for, and no soil is heated above {plan.warmest_c:.1f} Cel, just under"
        )
        yield Alert("set-point-high", f"{detail} its trip: ask for less, or set limits.soil_trip higher")
    if not now.wall_is_believable:
        yield Alert("clock", "the clock is wrong: the schedule waits, only the floor is held")


def _cover_and_ground(plan: Plan, state: State, now: Moment) -> Iterator[Alert]:
    leaks_s = state.response.leaks_s
    if leaks_s is not None and now.mono_s - leaks_s >= LEAKS_S:
        detail = "the air holds less than a quarter of what the heat in it should"
        yield Alert("losing-heat", f"{detail}: look for a torn film, an open end or door", urgent=True)
    found = ground(plan, state.foresight)
    if found is Ground.DRY:
        ceiling_c = highest_c(plan, state.foresight)
        detail = "the bed answers its cable as bone-dry soil does, and a cable gets hot in it: water it"
        yield Alert("soil-dry", f"{detail}. No set point counts above {ceiling_c:.0f} Cel until it answers otherwise")
    elif found is Ground.WET:
        detail = "the bed takes twice the heat that its soil should: it may stand in water"
        yield Alert("soil-wet", f"{detail}. Touch nothing wet before the earth-fault breaker has been tried")


def _node(state: State, now: Moment) -> Iterator[Alert]:
    heard_s = state.node.arrived_s if state.node is not None else state.began_s
    if now.mono_s - heard_s > limits.NODE_ALERT_S:
        yield Alert("node-quiet", "the relay node is silent: its contact is unknown; its lease has ended", urgent=True)
    elif state.watch.unheard is not None and now.mono_s - max(state.watch.unheard[1], state.valid_from_s) > DEAF_S:
        detail = "the relay node speaks and takes no command: look at its access to them, and at its key"
        yield Alert("node-deaf", detail, urgent=True)
    elif state.node is not None and "power-low" in state.node.notices:
        yield Alert("power-low", "the heater draws clearly less than its rated power: look at the mains and the heater")
    if _is_closed_unasked(state, now):
        detail = "the relay node says that its contact is closed, though it was told to open"
        yield Alert("contact-closed", f"{detail}: pull the heater's plug, then look at node and relay", urgent=True)
    if node_watch.is_ever_late(state.watch, now.mono_s):
        detail = (
            "commands come too late for the relay node, which obeys none to heat: its clock is fast, or its network"
        )
        yield Alert("commands-late", f"{detail} holds them back", urgent=True)
    if now.mono_s - state.watch.affronted_s <= limits.AFFRONT_REMEMBERED_S:
        detail = "the relay node refuses commands that are not ours or not for now; see the journal for how many"
        yield Alert("foreign-commands", detail, urgent=True)


def _plain(plan: Plan, state: State) -> Iterator[Alert]:
    """A plain relay has no node to find it welded: a probe of its contact or current may (hazards K01, N18)."""
    told_s = max(state.opened_s, state.began_s)
    for watch in () if state.order.on else plan.telling:
        heard_s = state.probes[watch.name].heard_s
        if state.usable.get(watch.name, 0.0) > CLOSED_ABOVE[watch.quantity] and (heard_s or told_s) - told_s > CLOSED_S:
            detail = f"{_who(watch)} shows the heater on though the relay was told to open: it may be welded"
            yield Alert("contact-closed", f"{detail}. Pull the heater's plug, then look at the relay", urgent=True)


def _is_closed_unasked(state: State, now: Moment) -> bool:
    """Whether a node that speaks has kept its contact closed for longer than any lease after the order to open."""
    node = state.node
    if node is None or not node.on or state.order.on or now.mono_s - node.arrived_s > limits.NODE_SILENT_S:
        return False
    return node_watch.made_after_s(state.watch, node, max(state.opened_s, state.began_s)) > CLOSED_S


def _upkeep(plan: Plan, state: State, inputs: Inputs, now: Moment) -> Iterator[Alert]:
    if state.standing.proved_ms is not None and now.wall_is_believable:
        late_days = requests.proof_late_days(plan, state.standing, now.utc_ms)
        if late_days > 0:
            yield Alert("proof-test", f"the proof test is {late_days:.0f} days overdue")
    worn = state.standing.relay_closings / limits.RELAY_CLOSINGS
    if worn >= limits.RELAY_WORN_PART:
        yield Alert("relay-worn", f"the relay has closed {state.standing.relay_closings} times: replace it")
    if inputs.broken_at:
        yield Alert("journal-broken", f"the journal's chain breaks at entry {inputs.broken_at}", urgent=True)
