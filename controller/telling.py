"""What a tick tells: permissives lost and back, alerts raised and over. Pure."""

from controller import alert_rules, alerts
from controller.clock import Moment
from controller.plan import Plan
from controller.safety.interlock import Permissive
from controller.state import Inputs, State
from controller.store.journal import Entry


def permissives(plan: Plan, state: State, missing: tuple[Permissive, ...], now: Moment, entries: list[Entry]) -> None:
    """Journal a permissive lost while armed, and its return; what was never there at a start is no news."""
    if not missing and not state.told_lost:
        return
    lost = {each.name: each for each in missing}
    if not state.standing.armed or (not state.permissives and not state.told_lost):
        state.told_lost = frozenset()
        return
    before = {each.name for each in state.lost}
    new = lost.keys() - before
    back = state.told_lost - lost.keys()
    for name in sorted(new):
        entries.append(Entry("held-off", plan.name, "soilward", lost[name].detail, {"permissive": name}, now.utc_ms))
    for name in sorted(back):
        entries.append(Entry("free-again", plan.name, "soilward", f"{name} again", {"permissive": name}, now.utc_ms))
    if new or back:
        state.told_lost = (state.told_lost | new) - back


def alerts_of(plan: Plan, state: State, inputs: Inputs, now: Moment, entries: list[Entry]) -> None:
    """Note the alerts that stand now; those that are new and those that are over are journalled."""
    standing = list(alert_rules.examine(plan, state, inputs, now))
    if not standing and not state.alerts:
        return
    found = alerts.raised(state.alerts, standing, now.utc_ms)
    if found != state.alerts:
        entries.extend(alerts.entries(plan.name, state.alerts, found, now.utc_ms))
        state.alerts = found
