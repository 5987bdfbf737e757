"""What may be used of each probe now: worked out once a tick, for all who ask. Pure."""

from collections.abc import Iterable
from math import fsum

from controller.clock import Moment
from controller.plan import Plan
from controller.probe_state import Watch, fresh
from controller.safety import limits
from controller.state import State


def usable_now(plan: Plan, state: State, now: Moment) -> dict[str, float]:
    """Return by name what each fresh probe says now; a probe that is not fresh is not in it."""
    found, at_s = {}, now.mono_s
    for name, watch in plan.watches.items():
        value = _value_at(state, watch, at_s)
        if value is not None:
            found[name] = value
    return found


def _value_at(state: State, watch: Watch, mono_s: float) -> float | None:
    """Return what a probe says at an instant [s] and is believed, or None."""
    probe = state.probes[watch.name]
    if not fresh(watch, probe, mono_s, state.valid_from_s):
        return None
    return probe.steady_c(max(state.valid_from_s, mono_s - watch.stale_after_s)) if probe.believed else probe.value


def said_lately(state: State, watch: Watch, now: Moment) -> float | None:
    """Return what a probe says, or said before it fell silent two minutes ago at most; heat never stands on it.

    A few messages lost on the way must not begin a slow watch anew (invariant I14).
    """
    if watch.name in state.usable:
        return state.usable[watch.name]
    heard_s = state.probes[watch.name].heard_s
    lapsed_s = 0.0 if heard_s is None else now.mono_s - heard_s - watch.stale_after_s
    if 0.0 < lapsed_s <= limits.STALE_CAP_S - watch.stale_after_s:
        return _value_at(state, watch, now.mono_s - lapsed_s)
    return None


def mean_usable(state: State, watches: Iterable[Watch]) -> float | None:
    """Return the mean of the probes that are fresh, or None."""
    return _mean([state.usable[each.name] for each in watches if each.name in state.usable])


def mean_lately(state: State, watches: Iterable[Watch], now: Moment) -> float | None:
    """Return the mean of what probes have said lately, or None."""
    return _mean([value for each in watches if (value := said_lately(state, each, now)) is not None])


def _mean(values: list[float]) -> float | None:
    return fsum(values) / len(values) if values else None
