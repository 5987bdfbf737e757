"""Heater runs from what is reported of the contact, by its node or by a probe, never from what was commanded."""

from collections import deque
from dataclasses import dataclass, field

from controller.enclosure_settings import Enclosure, ProbeSettings
from controller.probe import Quantity, Reading
from controller.safety import limits
from controller.state import NodeReport
from controller.store.runs import RunBegan, RunEnded, RunEnergy, RunEvent, RunExplained

LET_GO = "; it let go by itself"
"""Behind why a run ended, where the node tells that its lease had lapsed before any order to open came through."""
FLOWS_A = 0.1
"""[A] More than this is current through the heater. Source: hazard N18."""


def witness_of(enclosure: Enclosure) -> ProbeSettings | None:
    """Return the probe that tells a plain relay's contact: its auxiliary contact, else a current sensor, else None."""
    if enclosure.heater.relay != "plain":
        return None
    return next(iter((*enclosure.of(Quantity.CONTACT), *enclosure.of(Quantity.CURRENT))), None)


def unrecorded(enclosure: Enclosure) -> bool:
    """Whether nothing tells when this heater is on: a run is recorded from what is reported, never from an order."""
    return enclosure.heater.relay == "plain" and witness_of(enclosure) is None


def told_by(reading: Reading, quantity: Quantity) -> NodeReport:
    """Return what a contact or current probe says of the contact as a report; of a lease it knows nothing."""
    amps = reading.value if quantity is Quantity.CURRENT else None
    on = reading.value > FLOWS_A if quantity is Quantity.CURRENT else reading.value > 0.5
    return NodeReport(reading.arrived_s, reading.arrived_ms, on, False, 0.0, amps, 0, 0.0)


def log_for(enclosure: Enclosure) -> "HeaterLog":
    """Return an empty log for an enclosure as it is set up."""
    heater, witness = enclosure.heater, witness_of(enclosure)
    if witness is None:
        return HeaterLog(enclosure.name, heater.rated_w, heater.volts)
    return HeaterLog(enclosure.name, heater.rated_w, heater.volts, witness.stale_after_s, witness=witness.name)


@dataclass(slots=True)
class HeaterLog:
    """One enclosure's contact over time.

    Parameters
    ----------
    rated_w, volts
        Power when the node measures no current, and voltage when it does.
    silent_after_s
        [s] a closed contact cannot outlast a silence longer than this: one lease, or more in coarse simulation.
        Of a plain relay nothing is claimed beyond it.
    witness
        Name of the probe that tells the contact; "" where the node does.
    unheard
        The last report before the silence that ended a run, until the next one.
    """

    enclosure: str
    rated_w: float
    volts: float
    silent_after_s: float = limits.LONGEST_LEASE_S
    witness: str = ""
    closed_since_ms: int | None = None
    closed_since_s: float = 0.0
    last: NodeReport | None = None
    closings: deque[tuple[int, int]] = field(default_factory=deque)
    unheard: NodeReport | None = None

    def take(self, report: NodeReport, because: str) -> list[RunEvent]:
        """Take a report; returns what to record.

        Parameters
        ----------
        because
            Why the contact opened, if this report says that it did.

        A node that was silent longer than a lease cannot have kept its contact closed, so its run ends where the
        lease would have.
        """
        events: list[RunEvent] = []
        last = self.last
        if last is not None and last.on:
            span_s = report.arrived_s - last.arrived_s
            sure_s = min(span_s, self.silent_after_s)
            watts = last.amps * self.volts if last.amps is not None else self.rated_w
            events.append(RunEnergy(self.enclosure, watts * max(sure_s, 0.0)))
            if span_s > self.silent_after_s:
                events += self._end(last.arrived_s + self.silent_after_s, self._silent)
                self.unheard = last
        if self.unheard is not None and report.drops > self.unheard.drops:
            events.append(RunExplained(self.enclosure, LET_GO))
        self.unheard = None
        if report.on and self.closed_since_ms is None:
            self.closed_since_ms, self.closed_since_s = report.arrived_ms, report.arrived_s
            events.append(RunBegan(self.enclosure, report.arrived_ms))
        elif not report.on:
            lapsed = last is not None and report.drops > last.drops and "let go by itself" not in because
            events += self._end(report.arrived_s, because + LET_GO if lapsed else because)
        self.last = report
        return events

    def lapse(self, now_s: float) -> list[RunEvent]:
        """End the run of a node that has been silent longer than a lease."""
        last = self.last
        if self.closed_since_ms is None or last is None or now_s - last.arrived_s <= self.silent_after_s:
            return []
        self.unheard = last
        joules = (last.amps * self.volts if last.amps is not None else self.rated_w) * self.silent_after_s
        self.last = None
        ended = self._end(last.arrived_s + self.silent_after_s, self._silent)
        return [RunEnergy(self.enclosure, joules), *ended]

    @property
    def newest(self) -> NodeReport | None:
        """The last report, whether or not a silence has ended its run since."""
        return self.last or self.unheard

    @property
    def _silent(self) -> str:
        return f"{self.witness or 'node'} silent"

    def _end(self, at_s: float, ended_by: str) -> list[RunEvent]:
        """End the run, as long after it began as truly passed: a clock that was set meanwhile changes no length."""
        if self.closed_since_ms is None:
            return []
        at_ms = self.closed_since_ms + round((at_s - self.closed_since_s) * 1000)
        self.closings.append((self.closed_since_ms, at_ms))
        self.closed_since_ms = None
        return [RunEnded(self.enclosure, at_ms, ended_by)]

    def on_last_hour_s(self, now_ms: int) -> float:
        """[s] closed within the last hour; never less than none nor more than all, whatever a clock was set to."""
        start_ms = now_ms - 3_600_000
        # Not only the first of them: behind one that a clock ahead has filed nothing would ever be dropped.
        self.closings = deque(each for each in self.closings if each[1] >= start_ms)
        total = sum(max(end - max(begun, start_ms), 0) for begun, end in self.closings)
        if self.closed_since_ms is not None:
            total += max(now_ms - max(self.closed_since_ms, start_ms), 0)
        return min(total / 1000, 3600.0)
