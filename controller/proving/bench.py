"""What every step works with: the wire, the person, patience, and what was found last time."""

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from controller.permits import spoken
from controller.proving import criteria
from controller.proving.account import Account, Finding
from controller.proving.person import Person
from controller.proving.stand import Stand, Wish
from controller.state import NodeReport


@dataclass(frozen=True, slots=True)
class Patience:
    """How long things are waited for [s], and how often a lease is measured.

    Parameters
    ----------
    node_s, heat_s
        For the node's first word, and for heat to be permitted: a slow probe, half an hour of calm after a step.
    pulse_s
        For the heat pulse's answer; None: what the physics of the enclosure say.
    slope_s
        How long an air heater heats on after its answer, so that its steepest minute is seen.
    warm_s, back_s
        For a probe in the hand, and for a node whose network was cut.
    """

    node_s: float = 200.0
    heat_s: float = 2400.0
    pulse_s: float | None = None
    slope_s: float = 180.0
    warm_s: float = 600.0
    back_s: float = 600.0
    leases: int = criteria.LEASE_TIMES


@dataclass(frozen=True, slots=True)
class Cut:
    """How the broker is cut where it is ours, and brought back."""

    begin: Callable[[], None]
    end: Callable[[], None]


@dataclass(frozen=True, slots=True)
class Bench:
    """The bench of one proof test.

    Parameters
    ----------
    settings_file
        Given to the process that is to be killed.
    cut
        None: the broker is not ours, so the person cuts.
    """

    stand: Stand
    person: Person
    settings_file: Path
    patience: Patience = field(default_factory=Patience)
    last: Account | None = None
    cut: Cut | None = None


class StepError(Exception):
    """A step cannot go on; the text is its finding."""


def failed(error: StepError) -> Finding:
    """Return the finding of a step that could not go on."""
    return Finding(False, str(error))


def report_of(stand: Stand) -> NodeReport:
    """Return the node's last report."""
    if stand.report is None:
        raise StepError("the relay node has not been heard")
    return stand.report


def refusal(stand: Stand) -> str:
    """Say why the gate, or the node, holds heat back."""
    if stand.wish is Wish.HEAT and not stand.order.on:
        return f"heat is not permitted: {stand.order.because}"
    refused = dict(stand.report.refused) if stand.report else {}
    more = f"; it has refused: {', '.join(f'{name} {count}' for name, count in refused.items())}" if refused else ""
    return f"the node does not report its contact closed{more}"


def permitted(bench: Bench, wish: Wish) -> None:
    """Wish for heat, or for K2 alone, and wait until the gate grants it; the person is told what it waits for."""
    stand = bench.stand
    stand.wish = wish
    stand.turn(0.0)

    def granted() -> bool:
        return stand.order.on if wish is Wish.HEAT else stand.order.armed

    if stand.until(granted, 5.0):
        return
    _no_trip(stand)
    bench.person.tell(f"  waiting, at most {spoken(bench.patience.heat_s)}: {stand.order.because}")
    if not stand.until(lambda: granted() or stand.is_tripped, bench.patience.heat_s):
        raise StepError(f"heat is not permitted: {stand.order.because}")
    _no_trip(stand)


def _no_trip(stand: Stand) -> None:
    if stand.is_tripped:
        raise StepError(stand.order.because)


def heat(bench: Bench) -> float:
    """Have the contact closed; returns [s] from the order to the report. A node rests up to 90 s after it booted."""
    stand = bench.stand
    permitted(bench, Wish.HEAT)
    if not stand.until(lambda: stand.is_closed, criteria.CLOSES_WITHIN_S) and _rests(stand):
        bench.person.tell("  waiting: the node rests after its boot, 90 s at most")
        stand.until(lambda: stand.is_closed, 100.0)
        stand.wish = Wish.ARMED
        opened(bench, 10.0)
        stand.wish = Wish.HEAT
        stand.until(lambda: stand.is_closed, criteria.CLOSES_WITHIN_S)
    if not stand.is_closed:
        raise StepError(f"not closed {criteria.CLOSES_WITHIN_S:g} s after its order: {refusal(stand)}")
    return report_of(stand).arrived_s - stand.closed_order_s


def _rests(stand: Stand) -> bool:
    return dict(report_of(stand).refused).get("resting", 0) > 0 and report_of(stand).uptime_s < 120.0


def opened(bench: Bench, within_s: float = 2 * criteria.OPENS_WITHIN_S) -> float:
    """Wait for the report of an open contact; returns [s] from the last order to it."""
    stand = bench.stand
    if not stand.until(lambda: not stand.is_closed, within_s):
        raise StepError(f"still reported closed {within_s:g} s after it was told to open: ISOLATE THE HEATER")
    return report_of(stand).arrived_s - stand.open_order_s


def fresh_report(bench: Bench, after_s: float) -> NodeReport:
    """Return a report of at least `after_s` [s] from now; a node reports every 5 s."""
    stand = bench.stand
    due_s = stand.clock.now().mono_s + after_s
    if not stand.until(lambda: stand.report is not None and stand.report.arrived_s >= due_s, after_s + 15.0):
        raise StepError("the relay node has fallen silent")
    return report_of(stand)


def amps(bench: Bench, report: NodeReport, when: str) -> float:
    """Return the current [A] the node reports, or what the person reads off a clamp meter where it senses none."""
    if report.amps is not None:
        return report.amps
    question = f"The node senses no current. With a clamp meter round one conductor of the heater, {when}: amperes?"
    return bench.person.figure(question, bench.stand.turn)
