"""What a node's reports say of the node."""

from dataclasses import replace

import pytest

from controller.node_watch import AFFRONTS, clock_error, heard, new_trips, spoken_to
from controller.safety.node_fault import NodeFault
from controller.safety.trip import TripKind
from controller.state import NodeReport, NodeWatch
from tests.core_site import warm_bed


def report(at_s: float, uptime_s: float | None = None, **parts: object) -> NodeReport:
    """Return a report."""
    told = NodeReport(at_s, 0, False, True, 0.0, None, 0, at_s if uptime_s is None else uptime_s)
    return replace(told, **parts)  # type: ignore[arg-type]


def watched(rate: float, seconds: int, every_s: float = 1.0, off: bool = False) -> NodeWatch:
    """Return what is known after reports of a clock that counts at a rate."""
    watch, before, at_s = NodeWatch(), None, 0.0
    while at_s <= seconds:
        now = report(at_s, at_s * rate)
        watch, before, at_s = heard(watch, before, now, off), now, at_s + every_s
    return watch


@pytest.mark.parametrize("every_s", [1.0, 2.0, 5.0])
@pytest.mark.parametrize(("rate", "error"), [(0.5, 0.5), (1.0, 0.0), (2.0, -1.0), (0.9, 0.1)])
def test_the_error_of_a_clock_is_told_within_75_s(rate: float, error: float, every_s: float) -> None:
    """N05: slow is positive."""
    assert clock_error(watched(rate, 75, every_s)) == pytest.approx(error, abs=0.09 * abs(error) + 1e-9)


def test_less_than_a_minute_tells_nothing() -> None:
    """N05: nor do a handful of reports."""
    assert clock_error(watched(0.5, 59)) is None
    assert clock_error(NodeWatch()) is None
    assert clock_error(watched(0.5, 80, 20.0)) is None


@pytest.mark.parametrize(("rate", "latches"), [(0.89, True), (0.91, False), (1.09, False), (1.12, True)])
def test_a_tenth_is_the_bound(rate: float, latches: bool) -> None:
    """N05: and once told, it is measured anew."""
    watch, trips = new_trips(watched(rate, 75), report(75.0), 5)
    assert [each.kind for each in trips] == [TripKind.NODE_CLOCK] * latches
    assert (watch.lateness == ()) is latches


def test_a_restarted_node_is_measured_from_its_start() -> None:
    """N02 N05: its uptime falls, which is no error of its clock."""
    watch = watched(1.0, 70)
    watch = heard(watch, report(70.0), report(71.0, 0.5), False)
    assert len(watch.lateness) == 1


def test_reports_at_one_time_count_once() -> None:
    """A flood of reports makes no memory grow, and the promptest of it is taken."""
    watch, before = NodeWatch(), None
    for number in range(500):
        now = report(10.0 + number * 1e-4, number * 0.01)
        watch, before = heard(watch, before, now, False), now
    assert watch.lateness == ((10.0, pytest.approx(10.0499 - 4.99)),)
    assert len(watched(1.0, 1000).lateness) < 90


def test_a_fault_latches_once_and_again_when_it_comes_back() -> None:
    """K01: reported every second, it must not fill the journal; gone and back, it is new."""
    watch = NodeWatch()
    found = []
    for faults in ((), ("k2-welded",), ("k2-welded",), ("k2-welded", "boot-loop"), (), ("k2-welded",)):
        watch, trips = new_trips(watch, report(0.0, faults=faults), 5)
        found.append([each.probe for each in trips])
    assert found == [[], ["k2-welded"], [], ["boot-loop"], [], ["k2-welded"]]


def test_a_fault_that_outlives_its_reset_latches_again() -> None:
    """K03: reset in good faith, and the new proof finds K2 welded still: there is no heat, and a person must know why.

    Until it is armed again a node cannot try, so a reset stands for as long as nothing is armed.
    """
    bed = warm_bed()
    bed.contact = False
    bed.node = {"faults": ("k2-welded",), "proof": "failed"}
    bed.run(60)
    assert bed.ask("reset", trip="node-fault:k2-welded").startswith("trip 'node-fault:k2-welded' reset")
    bed.run(302)
    assert (len(bed.trips), bed.on) == (0, True)
    bed.run(17)
    assert not bed.trips
    bed.run(5)
    assert [each.name for each in bed.trips] == ["node-fault:k2-welded"]
    bed.ask("reset", trip="node-fault:k2-welded")
    bed.run(303)
    bed.node = {}
    bed.run(3600)
    assert (len(bed.trips), bed.on) == (0, True), "mended"


@pytest.mark.parametrize("name", [*NodeFault, "some-later-fault"])
def test_every_fault_has_words(name: str) -> None:
    """A newer node's fault is spoken as it is written."""
    _, (trip,) = new_trips(NodeWatch(), report(0.0, faults=(str(name),)), 5)
    assert trip.kind is TripKind.NODE_FAULT
    assert trip.detail.startswith("the relay node reports: ")
    assert len(trip.detail) > len("the relay node reports: ") + 8


@pytest.mark.parametrize(
    ("off", "on", "amps", "flows"),
    [
        (True, False, 0.11, 1), (True, False, 0.1, 0), (True, False, None, 0), (True, True, 5.0, 0),
        (False, False, 5.0, 0),
    ],
)  # fmt: skip
def test_a_current_flows_where_none_should(off: bool, on: bool, amps: float | None, flows: int) -> None:
    """O04: open by its own word, ordered off for longer than a lease, more than 0.1 A."""
    assert heard(NodeWatch(), None, report(0.0, on=on, amps=amps), off).flows == flows


def test_one_report_without_current_begins_the_count_again() -> None:
    """O04: two in a row latch, once."""
    watch, found = NodeWatch(), []
    for amps in (2.0, 0.0, 2.0, 2.0, 2.0):
        now = report(0.0, amps=amps)
        watch, trips = new_trips(heard(watch, None, now, True), now, 5)
        found.append(len(trips))
    assert found == [0, 0, 0, 1, 0]


def test_a_report_without_current_in_the_same_tick_does_not_hide_two_with_it() -> None:
    """O04, N18: only the last of a tick is weighed; the two before it were in a row all the same."""
    watch = NodeWatch()
    for amps in (2.0, 2.0, 0.0):
        now = report(0.0, amps=amps)
        watch = heard(watch, None, now, True)
    watch, trips = new_trips(watch, now, 5)
    assert len(trips) == 1
    assert heard(watch, None, now, True).flows == 0


@pytest.mark.parametrize("together", [1, 2, 3, 7])
def test_reports_that_come_together_hide_no_current(together: int) -> None:
    """N18: after a stalled link one tick is told several times; the second in a row latches wherever it stands."""
    watch, trips = new_trips(heard(NodeWatch(), None, report(0.0, amps=2.0), True), report(0.0, amps=2.0), 5)
    assert trips == []
    for number in range(1, together + 1):
        watch = heard(watch, None, report(float(number), amps=2.0), True)
    watch, trips = new_trips(watch, report(float(together), amps=2.0), 5)
    assert [each.probe for each in trips] == [NodeFault.CURRENT_WHEN_OPEN]
    last = report(together + 1.0, amps=2.0)
    assert new_trips(heard(watch, None, last, True), last, 5)[1] == []


@pytest.mark.parametrize("reason", sorted(AFFRONTS))
def test_a_rise_of_refusals_that_are_not_ours_is_remembered(reason: str) -> None:
    """R08: the first report only tells what was before; a restart of the node begins again."""
    first = report(10.0, refused=((reason, 4),))
    watch = heard(NodeWatch(), None, first, False)
    assert watch.affronted_s == float("-inf")
    watch = heard(watch, first, report(11.0, refused=((reason, 4),)), False)
    assert watch.affronted_s == float("-inf")
    watch = heard(watch, first, report(12.0, refused=((reason, 5),)), False)
    assert watch.affronted_s == 12.0
    watch = heard(watch, report(12.0), report(13.0, 0.1, refused=((reason, 9),)), False)
    assert (watch.affronted_s, watch.affronts) == (12.0, 9)


def test_refusals_of_our_own_late_commands_are_no_affront() -> None:
    """R03: late is ours."""
    first = report(10.0)
    watch = heard(heard(NodeWatch(), None, first, False), first, report(11.0, refused=(("late", 3),)), False)
    assert watch.affronted_s == float("-inf")


def test_the_oldest_unheard_command_is_remembered() -> None:
    """N07: newer ones do not make it younger; a report of it or of a later one ends it."""
    watch = spoken_to(NodeWatch(), 0, None, 1.0)
    assert watch.unheard is None
    watch = spoken_to(watch, 5, None, 2.0)
    watch = spoken_to(watch, 6, None, 7.0)
    assert watch.unheard == (5, 2.0)
    assert heard(watch, None, report(8.0, seq=4), False).unheard == (5, 2.0)
    assert heard(watch, None, report(8.0, seq=5), False).unheard is None
    assert spoken_to(NodeWatch(), 5, report(8.0, seq=5), 9.0).unheard is None
