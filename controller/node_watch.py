"""What the controller makes of a node's reports: does it obey, does its clock run, has it found a fault? Pure."""

from dataclasses import replace

from controller.safety import limits
from controller.safety.node_fault import WORDS, NodeFault
from controller.safety.trip import Trip, TripKind
from controller.state import NEVER, NodeReport, NodeWatch
from controller.units import percent

LATELY = 3
LATELY_S = LATELY * limits.RENEW_EVERY_S
"""Reports over which the promptest is taken, and [s] in which they come: delay makes a report late, never early."""

TOGETHER_S = 0.5
"""[s] Reports that come so close together have waited somewhere; the promptest of them counts for all."""

NO_CURRENT_A = 0.1
"""[A] Less than this is no current."""

FLOWS_SURELY = 2
"""Reports in a row that show a current through an open contact, and latch; one more says that they have."""

TRIED_AFTER_S = 20.0
"""[s] after which a node that is told to arm has ended its proof of K1 and K2, which takes 4.5 s. Source: engineering
judgement."""

AFFRONTS = frozenset({"retained", "unsigned", "older-epoch", "second-controller"})
"""Reasons of a node's refusals that mean somebody else commands it. Not "replayed": after a reconnection our own
unacknowledged commands come again."""

LATE = "late"
LATE_TOLD_AFTER_S, LATE_REMEMBERED_S = 120.0, 300.0
"""[s] over which commands must come too late to be told, and how long it is told after the last: a burst that the
network held back is over at once; of a clock 3 % fast they are late for ever. Source: engineering judgement."""

_WORDS: dict[str, str] = {str(fault): words for fault, words in WORDS.items()}


def heard(watch: NodeWatch, before: NodeReport | None, report: NodeReport, ordered_off: bool) -> NodeWatch:
    """Take a report.

    Parameters
    ----------
    ordered_off
        Whether heat has been ordered off for longer than a lease.
    """
    rebooted = before is not None and report.uptime_s < before.uptime_s
    kept = () if rebooted else watch.lateness
    arrived_s = report.arrived_s
    oldest_s = arrived_s - limits.NODE_CLOCK_SPAN_S - LATELY_S
    entry = (arrived_s, arrived_s - report.uptime_s)
    if kept and arrived_s - kept[-1][0] < TOGETHER_S:
        entry, kept = (kept[-1][0], min(entry[1], kept[-1][1])), kept[:-1]
    first = 0
    while first < len(kept) and kept[first][0] < oldest_s:
        first += 1
    lateness = (*kept[first:], entry)
    unheard = None if watch.unheard is not None and report.seq >= watch.unheard[0] else watch.unheard
    flows = ordered_off and not report.on and report.amps is not None and report.amps > NO_CURRENT_A
    # Of reports that come in one tick only the last is weighed: the count waits there for it, whatever that one says.
    in_a_row = watch.flows + 1 if watch.flows < FLOWS_SURELY else watch.flows
    affronts = sum([count for reason, count in report.refused if reason in AFFRONTS]) if report.refused else 0
    # The first report only tells how many there were before we came.
    risen = before is not None and not rebooted and affronts > watch.affronts
    late = dict(report.refused).get(LATE, 0) if report.refused else 0
    late_since_s, late_s = watch.late_since_s, watch.late_s
    if report.on:
        # It obeys others: of what a network holds back now and then it may miss some for ever, and still heat.
        late_since_s = late_s = NEVER
    elif before is not None and not rebooted and late > watch.late:
        late_since_s, late_s = (late_since_s if arrived_s - late_s <= LATE_REMEMBERED_S else arrived_s), arrived_s
    return NodeWatch(
        lateness, unheard, watch.known_faults, in_a_row if flows or watch.flows == FLOWS_SURELY else 0, affronts,
        arrived_s if risen else watch.affronted_s, late, late_since_s, late_s,
    )  # fmt: skip


def is_ever_late(watch: NodeWatch, now_s: float) -> bool:
    """Whether our commands come too late for the node, and not in one burst alone, and none to heat is obeyed."""
    return now_s - watch.late_s <= LATE_REMEMBERED_S and watch.late_s - watch.late_since_s >= LATE_TOLD_AFTER_S


def spoken_to(watch: NodeWatch, seq: int, report: NodeReport | None, now_s: float) -> NodeWatch:
    """Note the last command sent, unless the node has reported it or one before it is still unheard."""
    if seq == 0 or watch.unheard is not None or (report is not None and report.seq >= seq):
        return watch
    return replace(watch, unheard=(seq, now_s))


def made_after_s(watch: NodeWatch, report: NodeReport, since_s: float) -> float:
    """[s] from an instant on, or from the first report known, to when this one was made: not to when it came.

    After a network that was away a node's reports of then come in a burst, and tell of a contact that is open since.
    """
    if not watch.lateness:
        return 0.0
    made_s = report.uptime_s + min(late_s for _, late_s in watch.lateness)
    return made_s - max(since_s, watch.lateness[0][0])


def clock_error(watch: NodeWatch) -> float | None:
    """Return the part by which the node's clock runs slow (negative: fast), or None while less than a minute is known.

    Notes
    -----
    The promptest of the first three reports against the promptest of the last three.
    """
    lateness = watch.lateness
    if len(lateness) < 2 * LATELY or lateness[-1][0] - lateness[0][0] < limits.NODE_CLOCK_SPAN_S:
        return None
    then, since = _promptest(lateness[:LATELY]), _promptest(lateness[-LATELY:])
    span_s = since[0] - then[0]
    return None if span_s <= 0.0 else (since[1] - then[1]) / span_s


def _promptest(reports: tuple[tuple[float, float], ...]) -> tuple[float, float]:
    """Return the first of those that came least late."""
    found = reports[0]
    for each in reports:
        if each[1] < found[1]:
            found = each
    return found


def new_trips(watch: NodeWatch, report: NodeReport, at_ms: int) -> tuple[NodeWatch, list[Trip]]:
    """Return the trips a report calls for, each fault once."""
    trips = []
    for name in report.faults:
        if name not in watch.known_faults:
            trips.append(_fault_trip(name, at_ms))
    if watch.flows == FLOWS_SURELY:
        trips.append(_fault_trip(NodeFault.CURRENT_WHEN_OPEN, at_ms))
        watch = replace(watch, flows=FLOWS_SURELY + 1)
    error = clock_error(watch)
    if error is not None and abs(error) > limits.NODE_CLOCK_ERROR:
        runs = f"{percent(abs(error))} {'slow' if error > 0 else 'fast'}"
        detail = f"the relay node's clock runs {runs}; leases cannot be trusted"
        trips.append(Trip(TripKind.NODE_CLOCK, "", round(error, 3), limits.NODE_CLOCK_ERROR, at_ms, detail))
        watch = replace(watch, lateness=())
    if report.faults or watch.known_faults:
        watch = replace(watch, known_faults=frozenset(report.faults))
    return watch, trips


def _fault_trip(name: str, at_ms: int) -> Trip:
    words = _WORDS.get(name, name.replace("-", " "))
    return Trip(TripKind.NODE_FAULT, name, None, None, at_ms, f"the relay node reports: {words}")
