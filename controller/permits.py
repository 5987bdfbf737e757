"""The permissives of one enclosure, each with the words a person needs: what is wrong, what ends it."""

from controller import pairs
from controller.clock import Moment
from controller.plan import Plan
from controller.probe_state import ProbeState, Watch
from controller.safety import limits
from controller.safety.digest import PROGRAMMED
from controller.safety.interlock import Permissive, held, lost
from controller.state import Inputs, State

JOURNAL = held("journal written")
BROKER = held("broker connected")
NODE = held("node heard")
NODE_OBEYS = held("node obeys")
SAME_LIMITS = held("node holds our limits")
PAIRS_AGREE = held("probes at one place agree")
NOBODY_AT_WORK = held("nobody at work")
CHAIN = held("journal's chain holds")
UNDER_LIMITS = held("nothing over its limit")
AIR_COOL = held("air below its no-heat limit")
SETTLED = held("settled after a reset")
RIGHT_WAY = held("heat only below the set point")
"""Lost while heat is asked for above the set point; control must go on, so that a second time can latch."""


def examine(plan: Plan, state: State, inputs: Inputs, now: Moment) -> tuple[Permissive, ...]:
    """Return every permissive, held or lost."""
    return (
        _journal(inputs),
        _broker(inputs),
        *((_node(state, now),) if plan.node_reports else ()),
        *[_probes(heard, watches, state, now) for heard, watches in plan.permitting],
        _no_over_limit(plan, state),
        *((_node_obeys(state, now), _same_limits(state)) if plan.node_reports else ()),
        *((_pairs_agree(state, now),) if plan.pairs else ()),
        _nobody_at_work(state, now),
        _chain_holds(state, inputs),
        _air_cool(plan, state, now),
        _after_reset(state, now),
        _right_way(state),
    )


def _journal(inputs: Inputs) -> Permissive:
    if inputs.journal_ok:
        return JOURNAL
    return lost(JOURNAL.name, "the journal cannot be written", "when the disk takes entries again")


def _broker(inputs: Inputs) -> Permissive:
    if inputs.wire_fault:
        return lost(BROKER.name, inputs.wire_fault, "when that is mended and probes have spoken")
    if inputs.connected:
        return BROKER
    return lost(BROKER.name, "the broker is not connected", "when it answers and probes have spoken")


def _node(state: State, now: Moment) -> Permissive:
    if state.node is None:
        return lost(NODE.name, "the relay node has not been heard yet", "when it reports")
    age_s = now.mono_s - state.node.arrived_s
    if age_s <= limits.NODE_SILENT_S:
        return NODE
    return lost(NODE.name, f"the relay node was last heard {spoken(age_s)} ago", "when it reports")


def _node_obeys(state: State, now: Moment) -> Permissive:
    unheard = state.watch.unheard
    if unheard is None or now.mono_s - unheard[1] <= limits.NODE_SILENT_S:
        return NODE_OBEYS
    detail = f"the relay node has not taken a command for {spoken(now.mono_s - unheard[1])}"
    return lost(NODE_OBEYS.name, detail, "when it reports that it has")


def _same_limits(state: State) -> Permissive:
    if state.node is None or state.node.limits in ("", PROGRAMMED):
        return SAME_LIMITS
    detail = "the relay node's program holds other limits than this one"
    return lost(SAME_LIMITS.name, detail, "when both run the same version")


def _pairs_agree(state: State, now: Moment) -> Permissive:
    found = pairs.differing(state.differing, limits.PAIR_FAULT_K, limits.PAIR_FAULT_S, now.mono_s)
    if not found:
        return PAIRS_AGREE
    one, other = found[0]
    detail = f"probes '{one}' and '{other}' at one place differ by more than {limits.PAIR_FAULT_K:g} K"
    return lost(PAIRS_AGREE.name, detail, "when they agree")


def _nobody_at_work(state: State, now: Moment) -> Permissive:
    until_ms = state.standing.at_work_until_ms
    if until_ms is None:
        return NOBODY_AT_WORK
    left_s = max(0.0, (until_ms - now.utc_ms) / 1000)
    return lost(
        NOBODY_AT_WORK.name, f"someone works there for another {spoken(left_s)}", "when someone arms it after that"
    )


def _chain_holds(state: State, inputs: Inputs) -> Permissive:
    if inputs.broken_at in (0, state.standing.acknowledged):
        return CHAIN
    detail = f"the journal's chain breaks at entry {inputs.broken_at}"
    return lost(CHAIN.name, detail, "when a person has acknowledged it")


def _probes(heard: Permissive, watches: tuple[Watch, ...], state: State, now: Moment) -> Permissive:
    for watch in watches:
        if watch.name in state.usable:
            return heard
    watch = watches[0]
    return lost(heard.name, _why_not(watch, state.probes[watch.name], state, now), "when it speaks and is believed")


def _why_not(watch: Watch, probe: ProbeState, state: State, now: Moment) -> str:
    who = f"{watch.quantity} probe '{watch.name}'"
    if probe.said_s is None:
        return f"{who} has not been heard yet"
    if now.mono_s - probe.said_s > watch.stale_after_s or probe.said_s < state.valid_from_s:
        return f"{who} last heard {spoken(now.mono_s - probe.said_s)} ago"
    if probe.heard_s is not None and probe.heard_s >= state.valid_from_s and not probe.reason:
        return f"{who} is doubted"
    return f"{who} is not believed: {probe.reason}"


def _no_over_limit(plan: Plan, state: State) -> Permissive:
    for watch in plan.warmed if state.is_hot else ():
        probe = state.probes[watch.name]
        if probe.over and watch.over is not None:
            detail = (
                f"{watch.quantity} probe '{watch.name}' reads {probe.over_value:.1f} Cel, limit {watch.over:.1f} Cel"
            )
            return lost(UNDER_LIMITS.name, detail, "when it reads below the limit, unless it has latched")
        if probe.rise_count:
            detail = f"air probe '{watch.name}' rises {probe.rise_k_per_min:.1f} K a minute"
            return lost(UNDER_LIMITS.name, detail, "when it rises no more, unless it has latched")
    for name, each in state.steep.items():
        if each.times:
            detail = f"air probe '{name}' rises {each.rise_k_per_min:.1f} K a minute, which is not the heater"
            return lost(UNDER_LIMITS.name, detail, "when it rises no more, unless it has latched")
    return UNDER_LIMITS


def _air_cool(plan: Plan, state: State, now: Moment) -> Permissive:
    if now.mono_s - state.air_hot_s >= limits.AIR_SETTLE_S:
        return AIR_COOL
    ago_s = now.mono_s - state.air_hot_s
    when = "a moment ago" if ago_s < 15 else f"{spoken(ago_s)} ago"
    detail = f"air probe '{state.air_hot_probe}' reached {plan.air_no_heat_c:.1f} Cel {when}"
    returns = f"when the air has been under {plan.air_no_heat_c:.1f} Cel for 5 min"
    return lost(AIR_COOL.name, detail, returns)


def _after_reset(state: State, now: Moment) -> Permissive:
    left_s = state.rearm_s - now.mono_s
    if left_s <= 0:
        return SETTLED
    return lost(SETTLED.name, "a trip was reset a moment ago", f"in {spoken(left_s)}")


def _right_way(state: State) -> Permissive:
    if state.inverted == 0:
        return RIGHT_WAY
    return lost(RIGHT_WAY.name, "heat was asked for above the set point", "at the next tick that does not")


def spoken(seconds: float) -> str:
    """Say a span [s] as people do: 40 s, 4 min, 3 h, 2 days."""
    if seconds < 90:
        return f"{seconds:.0f} s"
    if seconds < 90 * 60:
        return f"{seconds / 60:.0f} min"
    if seconds < 48 * 3600:
        return f"{seconds / 3600:.0f} h"
    return f"{seconds / 86400:.0f} days"
