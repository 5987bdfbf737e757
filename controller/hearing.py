"""What may be used of each probe now: worked out when it may have changed, for all who ask. Pure."""

from collections.abc import Iterable
from math import fsum

from controller.clock import Moment
from controller.plan import Plan
from controller.probe_state import ProbeState, Watch, fresh
from controller.safety import limits
from controller.state import NEVER, State
from controller.steadiness import HALF_STEPS_SURE

HAIR_S = 1e-3
"""[s] before the instant at which something may change, all is worked out anew: sums of seconds are rounded."""


def listen(plan: Plan, before: State, state: State, now: Moment) -> None:
    """Note what may be used of each probe now, and of which there is something to say.

    While no probe speaks, this changes with time alone: till it may, what was noted stands.
    """
    if state.probes is before.probes and state.valid_from_s == before.valid_from_s:
        if state.heard_until_s is None:
            state.heard_until_s = _stands_until_s(plan, state)
        if now.mono_s < state.heard_until_s:
            return
    usable: dict[str, float] = {}
    odd, is_hot = [], False
    probes, now_s, valid_from_s = state.probes, now.mono_s, state.valid_from_s
    for name, watch in plan.watches.items():
        probe = probes[name]
        value = _value_at(watch, probe, now_s, valid_from_s)
        if value is not None:
            usable[name] = value
        if value is None or probe.half_steps >= HALF_STEPS_SURE or probe.hurried_s != NEVER:
            odd.append(name)
        if probe.over or probe.rise_count:
            is_hot = True
    state.usable, state.odd, state.is_hot, state.heard_until_s = usable, tuple(odd), is_hot, None


def _stands_until_s(plan: Plan, state: State) -> float:
    """Return till when [s] all probes stay as usable as they are: till one of the values that count is too old."""
    if len(state.usable) < len(plan.watches):
        return NEVER
    return min([_oldest_s(state.probes[name]) + each.stale_after_s for name, each in plan.watches.items()]) - HAIR_S


def _oldest_s(probe: ProbeState) -> float:
    """Return when [s] the oldest came of the values that tell what a usable probe says (see `steady_c`).

    The last that was good is not always among those remembered: a probe in doubt is remembered too.
    """
    if probe.heard_s is None:
        return NEVER
    return min(probe.heard_s, probe.believed[-3:][0][0]) if probe.believed else probe.heard_s


def _value_at(watch: Watch, probe: ProbeState, at_s: float, valid_from_s: float) -> float | None:
    """Return what a probe says at an instant [s] and is believed, or None."""
    if not fresh(watch, probe, at_s, valid_from_s):
        return None
    if not probe.believed:
        return probe.value
    oldest_s = at_s - watch.stale_after_s
    return probe.steady_c(oldest_s if oldest_s > valid_from_s else valid_from_s)


def said_lately(state: State, watch: Watch, now: Moment) -> float | None:
    """Return what a probe says, or said before it fell silent two minutes ago at most; heat never stands on it.

    A few messages lost on the way must not begin a slow watch anew (invariant I14).
    """
    if watch.name in state.usable:
        return state.usable[watch.name]
    probe = state.probes[watch.name]
    lapsed_s = 0.0 if probe.heard_s is None else now.mono_s - probe.heard_s - watch.stale_after_s
    if 0.0 < lapsed_s <= limits.STALE_CAP_S - watch.stale_after_s:
        return _value_at(watch, probe, now.mono_s - lapsed_s, state.valid_from_s)
    return None


def mean_usable(state: State, watches: Iterable[Watch]) -> float | None:
    """Return the mean of the probes that are fresh, or None."""
    return _mean([state.usable[each.name] for each in watches if each.name in state.usable])


def mean_lately(state: State, watches: Iterable[Watch], now: Moment) -> float | None:
    """Return the mean of what probes have said lately, or None."""
    return _mean([value for each in watches if (value := said_lately(state, each, now)) is not None])


def _mean(values: list[float]) -> float | None:
    return fsum(values) / len(values) if values else None
