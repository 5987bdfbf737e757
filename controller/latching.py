"""What latches in a tick: hot probes, a node's faults, air probes that differ, heat that goes astray. Pure."""

from dataclasses import replace

from controller import node_watch, pairs, response, steep
from controller.clock import Moment
from controller.plan import Plan
from controller.plant.sun import is_dark
from controller.plausibility import SLOPE_SPAN_S
from controller.probe_state import ProbeState, Watch
from controller.safety import limits, trip
from controller.safety.trip import Trip, TripKind
from controller.state import State
from controller.store.journal import JSON, Entry


def latch(plan: Plan, state: State, new: list[Trip], now: Moment, entries: list[Entry]) -> None:
    """Latch trips and journal those that are new."""
    if not new:
        return
    trips, added = trip.latch(state.standing.trips, new)
    for each in added:
        body: dict[str, JSON] = {"trip": each.name, "probe": each.probe, "value": each.value, "limit": each.limit}
        entries.append(Entry("trip", plan.name, "soilward", each.detail, body, now.utc_ms))
    if added:
        state.standing = replace(state.standing, trips=trips)


def cause_gone(plan: Plan, state: State, latched: Trip, now: Moment) -> bool:
    """Whether the probe that showed the trip is heard now and no longer shows it.

    A trip without a probe has a cause that only a person can judge: a reset is their word that they looked.
    """
    if latched.kind is TripKind.AIR_PROBES_DIFFER:
        return not pairs.differing(state.differing, limits.PAIR_FAULT_K, 0.0, now.mono_s)
    watch = plan.watches.get(latched.probe)
    if watch is None or latched.kind is TripKind.NODE_FAULT:
        return True
    probe = state.probes[latched.probe]
    heard = probe.compared_s is not None and now.mono_s - probe.compared_s <= watch.stale_after_s
    return heard and not probe.over and probe.rise_count == 0 and not _still_warm(plan, watch, probe)


def _still_warm(plan: Plan, watch: Watch, probe: ProbeState) -> bool:
    """Air that tripped must be back under the no-heat limit, not merely under the fire limit."""
    return watch in plan.air and probe.over_value >= plan.air_no_heat_c


def hot(plan: Plan, state: State, now: Moment, entries: list[Entry]) -> None:
    """Latch what the temperatures call for."""
    if not state.is_hot:
        return
    heats = []
    for watch in (*plan.soil, *plan.surface, *plan.air):
        probe = state.probes[watch.name]
        if (probe.over or probe.rise_count) and watch.over is not None:
            heat = trip.Heat(
                watch.name, watch.quantity.value, probe.over_highest, watch.over,
                probe.over_count if probe.over else 0, probe.rise_k_per_min, probe.rise_count,
            )  # fmt: skip
            heats.append(heat)
    if not heats:
        return
    lately = now.mono_s - state.heat_s <= limits.HEATER_LATELY_ON_S
    dark = not now.wall_is_believable or sun_is_down(plan, now)
    latch(plan, state, trip.new_trips(heats, lately or dark, now.utc_ms), now, entries)


def too_steep(plan: Plan, state: State, now: Moment, entries: list[Entry]) -> None:
    """Latch air that rises with heat on as this heater was measured not to make it (hazard E04)."""
    limit = plan.steepest_k_per_min
    if limit is None:
        return
    hot = now.mono_s - state.heat_s <= SLOPE_SPAN_S
    state.steep = steep.observe(limit, plan.air, state.probes, state.steep, hot)
    latch(plan, state, steep.trips(limit, state.steep, now.utc_ms), now, entries)


def sun_is_down(plan: Plan, now: Moment) -> bool:
    """Whether the sun is below the horizon at the site, to the minute."""
    return is_dark(now.utc_ms // 60_000, plan.latitude, plan.longitude)


def faulty_node(plan: Plan, state: State, now: Moment, entries: list[Entry]) -> None:
    """Latch what the node's last report calls for."""
    if state.node is None or state.node.arrived_s == state.weighed_s:
        return
    tried = state.order.armed and now.mono_s - state.armed_s > node_watch.TRIED_AFTER_S
    if state.watch.known_faults and tried and state.watch.unheard is None:
        # By now it has tried its contacts anew: what it still finds wrong holds heat off, and is believed mended.
        state.watch = replace(state.watch, known_faults=frozenset())
    state.watch, trips = node_watch.new_trips(state.watch, state.node, now.utc_ms)
    state.weighed_s = state.node.arrived_s
    latch(plan, state, trips, now, entries)


def differing_air(plan: Plan, state: State, now: Moment, entries: list[Entry]) -> None:
    """Latch two air probes at one place that have differed too much for too long (hazard P12)."""
    if not state.differing:
        return
    air = {each.name for each in plan.air}
    found = pairs.differing(state.differing, limits.PAIR_FAULT_K, limits.PAIR_FAULT_S, now.mono_s)
    trips = [
        Trip(
            TripKind.AIR_PROBES_DIFFER, "", None, limits.PAIR_FAULT_K, now.utc_ms,
            f"air probes '{one}' and '{other}' at one place differ by more than {limits.PAIR_FAULT_K:g} K",
        )
        for one, other in found
        if one in air
    ]  # fmt: skip
    latch(plan, state, trips, now, entries)


def astray(plan: Plan, state: State, elapsed_s: float, now: Moment, entries: list[Entry]) -> None:
    """Latch hard heating that warms nothing, and warmth that nobody asked for (hazards P14, H06, K02)."""
    permitted = not state.lost and state.standing.armed and not state.standing.trips
    duty = state.duty if permitted else 0.0
    trips = response.heating(plan.expected, state.response, duty, elapsed_s, now.mono_s, now.utc_ms)
    if state.node is None or state.node.amps is None:
        # With a current sensor the node itself sees unasked heat, at once and for sure.
        off_for_s = now.mono_s - max(state.heat_s, state.began_s)
        stepped = any(now.mono_s < state.probes[each.name].quarantined_until_s for each in plan.soil)
        trips += response.unasked(plan.expected, state.response, off_for_s, stepped, now.mono_s, now.utc_ms)
    latch(plan, state, trips, now, entries)


def against_inversion(plan: Plan, state: State, wanted: bool, now: Moment, entries: list[Entry]) -> None:
    """Heat asked for well above the set point, or without one, is a fault of ours; twice running, it latches (C09)."""
    soil_c = state.soil_c
    # Before control has taken up the soil there is no working set point yet.
    set_c = state.asked_c if state.working_c is None else state.working_c
    inverted = wanted and soil_c is not None and (set_c is None or soil_c > set_c + limits.ABOVE_SET_POINT_K)
    state.inverted = state.inverted + 1 if inverted else 0
    if state.inverted < 2:
        return
    beside = "no set point" if set_c is None else "more than 3 K above the set point"
    detail = f"heat was asked for with the soil at {soil_c:.1f} Cel, {beside}"
    latch(plan, state, [Trip(TripKind.INVERTED, "", soil_c, set_c, now.utc_ms, detail)], now, entries)
