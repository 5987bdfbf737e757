"""One enclosure's tick: (state, inputs, now) -> (state, order, entries). Pure: no socket, file, thread or clock.

One reading's way: `intake` judges it and counts it against the trips, `latching` latches, `heating` turns soil into a
duty, `permits` and the gate decide, and the decision carries what the shell must send and write.
"""

from dataclasses import dataclass
from typing import Final

from controller import hearing, heating, intake, latching, permits, response, telling
from controller.clock import Moment
from controller.plan import CONTROL_PERIOD_S, Plan
from controller.probe import Reading
from controller.probe_state import Judged, ProbeState
from controller.requests import ENDS_HEAT
from controller.safety import gate, lease
from controller.standing import Standing
from controller.state import Inputs, State
from controller.store.journal import Entry
from controller.tuning.attend import attend


@dataclass(slots=True)
class Decision:
    """What the shell must do: send the order if `send`, write entries, keep readings with their grades."""

    order: Final[lease.Order]
    send: Final[bool]
    entries: Final[tuple[Entry, ...]]
    judged: Final[tuple[tuple[Reading, Judged], ...]]

    @property
    def ends_heat(self) -> bool:
        """Whether a trip is among its entries, or an answer to somebody who asks for no heat."""
        return any(each.kind == "trip" or each.body.get("asked") in ENDS_HEAT for each in self.entries)


def start(plan: Plan, standing: Standing) -> State:
    """Return the state of an enclosure that has heard nothing yet."""
    return State(standing, {name: ProbeState() for name in plan.watches})


def step(plan: Plan, before: State, inputs: Inputs, now: Moment) -> tuple[State, Decision]:
    """Decide one tick."""
    entries: list[Entry] = []
    state = before.copy()
    state.foresight = inputs.foresight
    intake.after_gap(plan, state, inputs, now)
    intake.take_reports(plan, state, inputs, now)
    judged = intake.take_readings(plan, state, inputs)
    intake.take_requests(plan, state, inputs, now, entries)
    intake.mark_frozen(plan, state, inputs, now)
    hearing.listen(plan, before, state, now)
    latching.hot(plan, state, now, entries)
    latching.too_steep(plan, state, now, entries)
    latching.faulty_node(plan, state, now, entries)
    heating.compare_pairs(plan, state, now)
    latching.differing_air(plan, state, now, entries)
    attend(plan, state, now, entries)
    wanted = heating.control(plan, state, now)
    latching.against_inversion(plan, state, wanted, now, entries)
    _observe(plan, state, now, entries)
    permissives = permits.examine(plan, state, inputs, now)
    # Which are lost follows from them, and as a rule they are those of the tick before.
    same = permissives == before.permissives
    lost = before.lost if same else tuple([each for each in permissives if not each.holds])
    telling.permissives(plan, state, lost, now, entries)
    telling.alerts_of(plan, state, inputs, now, entries)
    order = gate.decide(wanted, state.standing.armed, permissives, state.standing.trips)
    send = _ordered(plan, state, inputs, order, now)
    state.permissives, state.lost, state.ticked_s = permissives, lost, now.mono_s
    return state, Decision(order, send, tuple(entries), judged)


def _observe(plan: Plan, state: State, now: Moment, entries: list[Entry]) -> None:
    """Compare heat with warmth, as often as the duty is computed."""
    elapsed_s = 0.0 if state.observed_s is None else now.mono_s - state.observed_s
    if state.observed_s is not None and elapsed_s < CONTROL_PERIOD_S:
        return
    soil_c = state.soil_c
    if soil_c is None:
        soil_c = hearing.mean_lately(state, plan.soil, now)
    air_c, outside_c = hearing.mean_lately(state, plan.air, now), hearing.mean_lately(state, plan.outside, now)
    dark = now.wall_is_believable and latching.sun_is_down(plan, now)
    state.response = memory = state.response.copy()
    response.observe(memory, soil_c, air_c, outside_c, dark, elapsed_s, now.mono_s)
    response.note_short(memory, state.duty, _below_k(soil_c, state.asked_c), now.mono_s)
    state.observed_s = now.mono_s
    latching.astray(plan, state, elapsed_s, now, entries)


def _below_k(soil_c: float | None, asked_c: float | None) -> float:
    """[K] by which the soil is below the set point asked for."""
    return 0.0 if soil_c is None or asked_c is None else asked_c - soil_c


def _ordered(plan: Plan, state: State, inputs: Inputs, order: lease.Order, now: Moment) -> bool:
    """Note the order; returns whether it must be sent now."""
    if state.order.on and not order.on:
        state.opened_s = now.mono_s
    if order.armed and not state.order.armed:
        state.armed_s = now.mono_s
    if order.on:
        state.heat_s = now.mono_s
    # What cannot be sent was not sent: the first tick after a reconnect sends whatever stands then.
    before = state.sent if inputs.connected else None
    send = inputs.connected and lease.due(order, before, now.mono_s, plan.lease_s)
    state.order, state.sent = order, lease.Sent(order, now.mono_s) if send else before
    return send
