"""Heater runs from what the node reports."""

from dataclasses import replace

import pytest

from controller.heater_log import HeaterLog
from controller.state import NodeReport
from controller.store.runs import RunBegan, RunEnded, RunEnergy, RunExplained

BEGAN_MS = 1_772_400_000_000


def report(at_s: float, on: bool, amps: float | None = None) -> NodeReport:
    """Return a report received at `at_s`."""
    return NodeReport(at_s, BEGAN_MS + round(at_s * 1000), on, on, 10.0, amps, 0, at_s)


def ms(at_s: float) -> int:
    """Return the wall time of `at_s`."""
    return BEGAN_MS + round(at_s * 1000)


@pytest.fixture
def log() -> HeaterLog:
    return HeaterLog("larch", 450.0, 230.0)


def test_a_run_begins_and_ends_with_the_contact(log: HeaterLog) -> None:
    """Begin at the first closed report, end at the first open one, energy for the time between."""
    assert log.take(report(0, False), "no heat wanted now") == []
    assert log.take(report(5, True), "no heat wanted now") == [RunBegan("larch", ms(5))]
    assert log.take(report(10, True), "no heat wanted now") == [RunEnergy("larch", 450.0 * 5)]
    assert log.take(report(15, False), "no heat wanted now") == [
        RunEnergy("larch", 450.0 * 5),
        RunEnded("larch", ms(15), "no heat wanted now"),
    ]
    assert log.take(report(20, False), "no heat wanted now") == []


def test_measured_current_is_used_where_there_is_one(log: HeaterLog) -> None:
    """Volts times the amps that flowed, zero included: a blown element uses no energy."""
    log.take(report(0, True, 2.0), "no heat wanted now")
    assert log.take(report(5, True, 0.0), "no heat wanted now") == [RunEnergy("larch", 2.0 * 230 * 5)]
    assert log.take(report(10, True, 0.0), "no heat wanted now") == [RunEnergy("larch", 0.0)]


@pytest.mark.parametrize("jump_ms", [8 * 3_600_000, -8 * 3_600_000])
def test_a_clock_that_is_set_makes_no_run_longer_or_shorter(log: HeaterLog, jump_ms: int) -> None:
    """After a power cut a machine without a clock of its own begins hours behind, and heats before it is told."""
    log.take(report(0, True), "no heat wanted now")
    log.take(replace(report(5, True), arrived_ms=ms(5) + jump_ms), "no heat wanted now")
    assert log.take(replace(report(10, False), arrived_ms=ms(10) + jump_ms), "no heat wanted now") == [
        RunEnergy("larch", 450.0 * 5),
        RunEnded("larch", ms(10), "no heat wanted now"),
    ]
    log.take(replace(report(20, True), arrived_ms=ms(20) + jump_ms), "no heat wanted now")
    assert log.lapse(40.0)[1:] == [RunEnded("larch", ms(35) + jump_ms, "node silent")]


@pytest.mark.parametrize(("silence_s", "ends"), [(15.0, False), (15.1, True), (3600.0, True)])
def test_a_node_silent_longer_than_a_lease_has_opened(log: HeaterLog, silence_s: float, ends: bool) -> None:
    """The run ends where the lease did; energy is counted for 15 s at most; a new run begins now."""
    log.take(report(0, True), "no heat wanted now")
    events = log.take(report(silence_s, True), "no heat wanted now")
    energy = RunEnergy("larch", 450.0 * 15)
    expected = (
        [energy, RunEnded("larch", ms(15), "node silent"), RunBegan("larch", ms(silence_s))] if ends else [energy]
    )
    assert events == expected


def test_a_silent_node_that_comes_back_open_ends_its_run_once(log: HeaterLog) -> None:
    """I5: exactly one end."""
    log.take(report(0, True), "no heat wanted now")
    events = log.take(report(100, False), "no heat wanted now")
    assert [each for each in events if isinstance(each, RunEnded)] == [RunEnded("larch", ms(15), "node silent")]


@pytest.mark.parametrize(("drops", "lapsed"), [(0, False), (1, True)])
@pytest.mark.parametrize("noticed", [False, True])
def test_a_lease_that_lapsed_in_silence_is_told_by_the_next_report(
    log: HeaterLog, drops: int, lapsed: bool, noticed: bool
) -> None:
    """Once, behind "node silent", whether or not the silence was noticed before it ended."""
    log.take(report(0, True), "no heat wanted now")
    if noticed:
        log.lapse(16.0)
    events = log.take(replace(report(100, False), drops=drops), "no heat wanted now")
    assert (RunExplained("larch", "; it let go by itself") in events) is lapsed
    assert log.take(replace(report(105, False), drops=drops), "no heat wanted now") == []


def test_a_lease_that_lapsed_before_the_order_came_through_is_told(log: HeaterLog) -> None:
    """The broker was away: an order to open stood, and did not reach the node before its lease ended."""
    log.take(report(0, True), "the broker is not connected")
    events = log.take(replace(report(9, False), drops=1), "the broker is not connected")
    assert events[-1] == RunEnded("larch", ms(9), "the broker is not connected; it let go by itself")
    log.take(replace(report(40, True), drops=1), "no heat wanted now")
    events = log.take(replace(report(45, False), drops=2), "the node let go by itself")
    assert events[-1] == RunEnded("larch", ms(45), "the node let go by itself")


def test_closed_time_of_the_last_hour(log: HeaterLog) -> None:
    """Runs count from an hour ago on, the present one to now; older ones are forgotten."""
    for at_s in range(0, 600, 5):
        log.take(report(at_s, True), "no heat wanted now")
    log.take(report(600, False), "no heat wanted now")
    for at_s in range(3000, 3100, 5):
        log.take(report(at_s, True), "no heat wanted now")
    assert log.on_last_hour_s(ms(3100)) == 700.0
    assert log.on_last_hour_s(ms(3900)) == pytest.approx(300 + 900)
    log.take(report(3100, False), "no heat wanted now")
    assert log.on_last_hour_s(ms(4300)) == 100.0
    assert log.on_last_hour_s(ms(6650)) == 50.0
    assert log.on_last_hour_s(ms(9000)) == 0.0


def test_a_coarse_simulation_may_say_how_long_silence_is() -> None:
    """Ticks of a minute are no silence of the node."""
    log = HeaterLog("larch", 450.0, 230.0, silent_after_s=120.0)
    log.take(report(0, True), "")
    assert log.take(report(60, True), "") == [RunEnergy("larch", 450.0 * 60)]


def test_nothing_heard_is_no_heat(log: HeaterLog) -> None:
    """0 s, and no event."""
    assert log.on_last_hour_s(ms(0)) == 0.0


@pytest.mark.parametrize("set_s", [-7200, 7200])
def test_no_run_takes_away_from_the_last_hour(log: HeaterLog, set_s: int) -> None:
    """A clock set by two hours, during a run and between two: less than nothing was shown as the time of heat."""
    log.take(report(0, True), "")
    assert log.on_last_hour_s(ms(10 + set_s)) >= 0.0
    log.take(report(15, False), "")
    log.take(replace(report(30, True), arrived_ms=ms(30 + set_s)), "")
    log.take(replace(report(45, False), arrived_ms=ms(45 + set_s)), "")
    assert log.on_last_hour_s(ms(50 + set_s)) == pytest.approx(15.0 if set_s > 0 else 30.0)
    log.take(replace(report(60, True), arrived_ms=ms(60)), "")
    log.take(replace(report(75, False), arrived_ms=ms(75)), "")
    assert 30.0 <= log.on_last_hour_s(ms(80)) <= 45.0


def test_a_clock_that_was_ahead_leaves_an_hour_of_sixty_minutes_and_keeps_no_old_runs(log: HeaterLog) -> None:
    """Three hours' heat by a clock a year ahead, then a week by one set right: 300 % of an hour, and all were kept."""
    year_s, day_s, log.silent_after_s = 365 * 86_400.0, 86_400.0, 3600.0
    for hour in range(3):
        log.take(replace(report(hour * 3600.0, True), arrived_ms=ms(hour * 3600.0 + year_s)), "")
        log.take(replace(report(hour * 3600.0 + 3590.0, False), arrived_ms=ms(hour * 3600.0 + 3590.0 + year_s)), "")
    assert log.on_last_hour_s(ms(3 * 3600.0)) <= 3600.0
    for run in range(7 * 24):
        begun_s = day_s + run * 3600.0
        log.take(report(begun_s, True), "")
        log.take(report(begun_s + 60.0, False), "")
        log.on_last_hour_s(ms(begun_s + 60.0))
    assert len(log.closings) <= 5
