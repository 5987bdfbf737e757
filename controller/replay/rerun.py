"""One life of the controller once more: what was recorded goes in, what the same gate decides comes out.

Time is the record's own: monotonic seconds are counted from the start's wall clock, which is taken to have run evenly.
The tick comes at every recorded arrival, and once a second; the live one came in its own phase.
"""

import heapq
import sqlite3
from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import groupby
from operator import itemgetter
from typing import TypeAlias

from controller import enclosure
from controller.clock import Moment
from controller.control.foresight import Foresight
from controller.foreseen import plan_at
from controller.heater_log import HeaterLog
from controller.keeper import Keeper
from controller.order_log import OrderLog
from controller.plan import Plan
from controller.replay import record
from controller.replay.decided import Decided, Rerun, answer_words, order_words
from controller.replay.record import Answered, Contact, Heard, Session
from controller.safety import limits, trip
from controller.safety.trip import Trip, TripKind
from controller.standing import Standing
from controller.state import NEVER, Inputs, NodeReport
from controller.store import orders
from controller.store.orders import OrderChanged

REPORT_EVERY_S = 5.0
"""[s] A node that is heard speaks about so often."""

GIVEN = frozenset({TripKind.NODE_FAULT, TripKind.NODE_CLOCK, TripKind.INTERNAL})
"""Trips whose causes are not on record: they latch in the replay as they did."""

FOREIGN = frozenset(
    {
        "journal written",
        "broker connected",
        "node heard",
        "node obeys",
        "node holds our limits",
        "journal's chain holds",
    }
)
"""Permissives that depend on what no reading tells: they are missing in the replay as they were."""

_SPEAKS = frozenset({"broker connected", "node heard"})
"""What is missing while no report of the node comes through."""

Event: TypeAlias = "Heard | Contact | Answered | Trip | OrderChanged | None"


def events(
    journal: sqlite3.Connection, readings: sqlite3.Connection, plan: Plan, session: Session, until_ms: int
) -> Iterator[tuple[int, list[Event]]]:
    """Yield (instant [ms UTC], what is on record of it), and every second between, oldest first."""
    step_ms = round(plan.tick_s * 1000)
    streams: tuple[Iterator[tuple[int, Event]], ...] = (
        ((at_ms, None) for at_ms in range(session.start_ms + step_ms, session.end_ms + 1, step_ms)),
        record.contacts(readings, plan.name, session),
        ((each.at_ms, each) for each in orders.between(readings, plan.name, session.start_ms, session.end_ms)),
        record.trips(journal, plan.name, session),
        record.answers(journal, plan.name, session),
        record.heard(readings, plan.name, plan.watches, session),
    )
    for at_ms, found in groupby(heapq.merge(*streams, key=itemgetter(0)), key=itemgetter(0)):
        if at_ms > until_ms:
            return
        yield at_ms, [event for _, event in found]


class Replay:
    """One enclosure, from the standing orders it began with."""

    def __init__(self, plan: Plan, standing: Standing, start_ms: int, foreseen: Sequence[Foresight] = ()) -> None:
        self.found = Rerun()
        self._plan, self._start_ms, self._foreseen = plan, start_ms, foreseen
        self._keeper = Keeper(plan, enclosure.start(plan, standing), HeaterLog(plan.name, plan.rated_w, plan.volts))
        self._orders = OrderLog(plan.name)
        self._told: tuple[bool, bool] | None = None
        self._recorded: tuple[bool, bool] | None = None
        # Until the first order on record nothing is known of what no reading tells.
        self._missing = FOREIGN
        self._missing_since_ms = start_ms
        self._resumed_s = NEVER
        self._closed, self._let_go_unheard, self._drops, self._reported_s = False, False, 0, NEVER

    def take(self, at_ms: int, found: list[Event]) -> None:
        """Take one instant's events, then one tick."""
        now = Moment((at_ms - self._start_ms) / 1000, at_ms)
        news = [each for each in found if self._set(each, now)]
        self._report(now, any(isinstance(each, Contact) for each in found))
        heard = [each for each in found if isinstance(each, Heard)]
        self._keeper.readings = [each.reading for each in heard]
        self._keeper.requests = [each.request for each in found if isinstance(each, Answered)]
        decision = self._keeper.tick(self._shell(at_ms), now)
        self._grade(heard, decision)
        self._decide(decision, now)
        if news:
            order = self._keeper.state.order
            self.found.reasons[at_ms] = f"{order_words(order.on, order.armed)}: {order.because}"

    def _set(self, event: Event, now: Moment) -> bool:
        """Set what an event tells; returns whether it was a decision."""
        match event:
            case Contact(closed, let_go, unheard):
                self._closed, self._drops, self._let_go_unheard = closed, self._drops + let_go, unheard
                return False
            case OrderChanged():
                self._hold_off(event, now)
                told, self._recorded = self._recorded, (event.on, event.armed)
                if self._recorded == told:
                    return False
                self.found.recorded.append(Decided(now.utc_ms, order_words(event.on, event.armed), event.because))
            case Trip():
                self.found.recorded.append(Decided(now.utc_ms, f"trip {event.name}", event.detail))
                if event.kind in GIVEN:
                    self._latch(event)
            case Answered(request, outcome):
                self.found.recorded.append(
                    Decided(now.utc_ms, answer_words(request.id, request.kind, outcome), request.why)
                )
            case _:
                return False
        return True

    def _hold_off(self, change: OrderChanged, now: Moment) -> None:
        """Note which permissives were missing that no reading can tell of."""
        missing = FOREIGN.intersection(change.missing)
        if "broker connected" in self._missing - missing and self._recorded is not None:
            # The session came back within the second before; what was heard since then counts.
            self._resumed_s = max(now.mono_s - limits.TICK_S, (self._missing_since_ms - self._start_ms) / 1000)
        if self._let_go_unheard and _SPEAKS & self._missing and not _SPEAKS & missing:
            # Its first report since tells that its lease lapsed.
            self._let_go_unheard, self._drops, self._reported_s = False, self._drops + 1, NEVER
        if missing != self._missing:
            self._missing, self._missing_since_ms = missing, now.utc_ms

    def _latch(self, given: Trip) -> None:
        state = self._keeper.state.copy()
        latched, added = trip.latch(state.standing.trips, [given])
        state.standing = replace(state.standing, trips=latched)
        self._keeper.state = state
        if added:
            self.found.given += 1
            self.found.replayed.append(Decided(given.at_ms, f"trip {given.name}", given.detail))

    def _report(self, now: Moment, changed: bool) -> None:
        """Let the node say what the heater runs tell of its contact; of current, faults and clock they tell nothing."""
        if not self._plan.node_reports:
            return
        if not changed and now.mono_s - self._reported_s < REPORT_EVERY_S:
            return
        self._reported_s = now.mono_s
        armed = self._keeper.state.order.armed
        report = NodeReport(now.mono_s, now.utc_ms, self._closed, armed, 0.0, None, self._drops, 1.0 + now.mono_s)
        self._keeper.reports = [report]

    def _shell(self, at_ms: int) -> Inputs:
        fault = f"missing on record: {', '.join(sorted(self._missing))}" if self._missing else ""
        return Inputs(
            connected="broker connected" not in self._missing,
            resumed_s=self._resumed_s,
            wire_fault=fault,
            foresight=plan_at(self._foreseen, at_ms),
        )

    def _grade(self, heard: list[Heard], decision: enclosure.Decision) -> None:
        self.found.readings += len(heard)
        pairs = zip(heard, decision.judged, strict=False)
        self.found.graded_alike += sum(each.grade is judged.grade for each, (_, judged) in pairs)

    def _decide(self, decision: enclosure.Decision, now: Moment) -> None:
        for entry in decision.entries:
            if entry.kind == "trip":
                self.found.replayed.append(Decided(now.utc_ms, f"trip {entry.body['trip']}", entry.why))
            if entry.kind == "answer":
                words = answer_words(
                    int(str(entry.body["request"])), str(entry.body["asked"]), str(entry.body["outcome"])
                )
                self.found.replayed.append(Decided(now.utc_ms, words, str(entry.body["detail"])))
        order = decision.order
        if (order.on, order.armed) != self._told:
            self._told = (order.on, order.armed)
            self.found.replayed.append(Decided(now.utc_ms, order_words(order.on, order.armed), order.because))


def rerun(
    journal: sqlite3.Connection,
    readings: sqlite3.Connection,
    plan: Plan,
    standing: Standing,
    session: Session,
    until_ms: int,
    foreseen: Sequence[Foresight] = (),
) -> Rerun:
    """Replay one enclosure's part in a session, up to `until_ms` [ms UTC], with the plans made then, oldest first."""
    replay = Replay(plan, standing, session.start_ms, foreseen)
    for at_ms, found in events(journal, readings, plan, session, until_ms):
        replay.take(at_ms, found)
    return replay.found
