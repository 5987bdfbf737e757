"""A node that falls silent with its contact closed: its run ends where its lease did, with the energy until then."""

import pytest

from controller.heater_log import HeaterLog
from controller.state import NodeReport
from controller.store.runs import RunBegan, RunEnded, RunEnergy, RunEvent

BEGAN_MS = 1_772_400_000_000
RATED_W, VOLTS = 450.0, 230.0
LEASE_S = 15.0
"""[s] restated: the longest a contact can stay closed unrenewed."""


def report(at_s: float, on: bool, amps: float | None = None) -> NodeReport:
    """Return a report received at `at_s`."""
    return NodeReport(at_s, ms(at_s), on, on, 10.0, amps, 0, at_s)


def ms(at_s: float) -> int:
    """Return the wall time of `at_s`."""
    return BEGAN_MS + round(at_s * 1000)


def log_of(*reports: NodeReport) -> HeaterLog:
    """Return a log that has taken these reports."""
    log = HeaterLog("larch", RATED_W, VOLTS)
    for each in reports:
        log.take(each, "")
    return log


@pytest.mark.parametrize(("silence_s", "ends"), [(0.0, False), (14.9, False), (15.0, False), (15.1, True), (1e5, True)])
def test_a_run_is_ended_by_silence_alone_once_its_lease_is_over(silence_s: float, ends: bool) -> None:
    """No report is needed: just under, at and over 15 s after the last one; its end and energy are the lease's."""
    log = log_of(report(100, True), report(105, True))
    expected: list[RunEvent] = [RunEnergy("larch", RATED_W * LEASE_S), RunEnded("larch", ms(120), "node silent")]
    assert log.lapse(105 + silence_s) == (expected if ends else [])


def test_the_energy_until_silence_is_what_was_measured() -> None:
    """Volts times the amps last heard, zero included, for one lease."""
    assert log_of(report(0, True, 1.5)).lapse(16.0)[0] == RunEnergy("larch", 1.5 * VOLTS * LEASE_S)
    assert log_of(report(0, True, 0.0)).lapse(16.0)[0] == RunEnergy("larch", 0.0)


def test_silence_ends_a_run_once() -> None:
    """The second look finds nothing open, and nothing is added to the energy."""
    log = log_of(report(0, True))
    assert log.lapse(16.0)
    assert log.lapse(17.0) == []
    assert log.lapse(1e6) == []


@pytest.mark.parametrize("on", [True, False])
def test_the_first_report_after_silence_counts_from_itself(on: bool) -> None:
    """The silent span is neither heat nor a second end; a closed contact is a new run."""
    log = log_of(report(0, True))
    log.lapse(16.0)
    assert log.take(report(60, on), "") == ([RunBegan("larch", ms(60))] if on else [])
    assert log.take(report(65, on), "") == ([RunEnergy("larch", RATED_W * 5)] if on else [])


def test_the_last_hour_counts_a_silent_run_to_the_end_of_its_lease() -> None:
    """5 s heard and 15 s of lease."""
    log = log_of(report(0, True), report(5, True))
    log.lapse(30.0)
    assert log.on_last_hour_s(ms(600)) == 20.0


@pytest.mark.parametrize("reports", [(), (report(0, False),), (report(0, True), report(5, False))])
def test_silence_of_an_open_contact_is_no_event(reports: tuple[NodeReport, ...]) -> None:
    """Never heard, heard open, or opened before it fell silent."""
    assert log_of(*reports).lapse(1e6) == []
