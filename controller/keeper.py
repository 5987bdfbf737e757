"""The one enclosure a loop holds: its plan, its state, its relay, and the guard round its tick."""

import logging
from dataclasses import dataclass, field
from typing import Any

from controller import enclosure, latching
from controller.clock import Moment
from controller.heater_log import HeaterLog
from controller.plan import Plan
from controller.probe import SI_UNIT, Quantity, Reading
from controller.probe_state import Judged, ProbeState
from controller.report import status_of
from controller.requests import unweighed
from controller.safety.lease import Order, Sent
from controller.safety.trip import Trip, TripKind
from controller.state import Inputs, NodeReport, State
from controller.status import Grade, Status
from controller.store.journal import Entry
from controller.store.readings import StoredReading
from controller.store.requests import Request

log = logging.getLogger("soilward.loop")
HEARTBEAT_S = 5.0
LEAST_APART_S = 0.9
"""[s] between two statuses. Not a whole tick: of two ticks that are a hair closer, each may have news (hazard A07)."""
MOST_A_SECOND = 1000
"""Statuses in which nothing but readings is new, of all enclosures together. With two thousand of six probes, each of
which speaks every 10 s, telling was a sixth of the loop's work (sampled). Source: engineering judgement."""
_WORD: dict[str, str] = {each: each.value for each in (*Quantity, *Grade)}
"""The plain words of what every reading is kept with: `.value` is a Python call each time."""


@dataclass(slots=True)
class Keeper:
    """Mutable shell round one enclosure's pure tick.

    Parameters
    ----------
    apart_s
        [s] at least between two statuses where nothing but readings is new.
    """

    plan: Plan
    state: State
    heater: HeaterLog
    apart_s: float = LEAST_APART_S
    readings: list[Reading] = field(default_factory=list)
    reports: list[NodeReport] = field(default_factory=list)
    requests: list[Request] = field(default_factory=list)
    told_s: float = float("-inf")
    told: Any = None
    told_probes: Any = None

    def tick(self, shell: Inputs, now: Moment) -> enclosure.Decision:
        """Take one tick; an exception opens the contact, latches and is journalled (hazard C03).

        Parameters
        ----------
        shell
            How the shell fares; what came since the last tick is added here.
        """
        inputs = shell
        if self.readings or self.reports or self.requests:
            inputs = shell._replace(
                readings=tuple(self.readings), reports=tuple(self.reports), requests=tuple(self.requests)
            )
            self.readings, self.reports, self.requests = [], [], []
        try:
            self.state, decision = enclosure.step(self.plan, self.state, inputs, now)
        except Exception as error:  # the one place that catches all: a zone's fault is off, latched and told
            log.exception("tick of %s failed", self.plan.name)
            return self._fault(error, inputs, now)
        return decision

    def _fault(self, error: Exception, inputs: Inputs, now: Moment) -> enclosure.Decision:
        trip = Trip(TripKind.INTERNAL, "", None, None, now.utc_ms, f"internal fault: {type(error).__name__}: {error}")
        entries, standing = list[Entry](), self.state.standing
        for request in inputs.requests:
            standing, entry = unweighed(self.plan, standing, request, now)
            entries.append(entry)
        fresh = enclosure.start(self.plan, standing)
        fresh.node = self.state.node
        order = Order(False, False, f"locked off: {trip.detail}")
        latching.latch(self.plan, fresh, [trip], now, entries)
        fresh.order, fresh.sent, fresh.ticked_s = order, Sent(order, now.mono_s), now.mono_s
        self.state = fresh
        # Nobody judged them, so control may use none; but each will be acknowledged, so each is kept.
        judged = tuple([(each, _unjudged(each)) for each in inputs.readings])
        return enclosure.Decision(order, True, tuple(entries), judged)

    def news(self, now: Moment, epoch: int, refused: dict[str, int], last: dict[str, str]) -> Status | None:
        """Return a status worth telling, as JSON gives it: changed, at most once a tick, and at least every 5 s."""
        since_s = now.mono_s - self.told_s
        if since_s < LEAST_APART_S:
            return None
        state = self.state
        alerts = [(each.name, each.urgent) for each in state.alerts]
        gist = (state.standing, state.order, state.contact_since_ms, state.permissives, alerts, state.asked_c, refused)
        if gist == self.told and since_s < HEARTBEAT_S and (since_s < self.apart_s or state.probes == self.told_probes):
            return None
        self.told, self.told_probes, self.told_s = gist, state.probes, now.mono_s
        return status_of(self.plan, state, now, epoch, self.heater.on_last_hour_s(now.utc_ms), refused, last)


def _unjudged(reading: Reading) -> Judged:
    return Judged(
        ProbeState(), Grade.DOUBTED, "the tick that took it failed", min(reading.stamp_ms, reading.arrived_ms)
    )


def stored(plan: Plan, reading: Reading, grade: Grade, taken_ms: int) -> StoredReading | None:
    """Return what the record keeps of a reading; refused ones are counted elsewhere and not kept.

    Nor is what lay at the broker and bears no time: it comes anew with each connection, as a reading of then.
    """
    if grade is Grade.REFUSED or (reading.retained and reading.taken_ms is None):
        return None
    quantity = plan.watches[reading.probe].quantity
    return StoredReading(
        reading.enclosure, reading.probe, _WORD[quantity], SI_UNIT[quantity], reading.value, taken_ms,
        reading.arrived_ms, _WORD[grade],
    )  # fmt: skip
