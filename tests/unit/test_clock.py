"""The machine's clocks: a suspend of the host is time that passed, however little of it the processor saw."""

import time
from types import SimpleNamespace

import pytest

from controller import clock
from controller.clock import Clock
from tests.core_site import warm_bed


class Host:
    """A computer whose lid can be shut. Source: clock_gettime(2), CLOCK_BOOTTIME and CLOCK_MONOTONIC."""

    def __init__(self) -> None:
        self.awake_s, self.asleep_s = 5000.0, 0.0

    def clock_gettime(self, which: int) -> float:
        """Return what the kernel would."""
        return {time.CLOCK_MONOTONIC: self.awake_s, time.CLOCK_BOOTTIME: self.awake_s + self.asleep_s}[which]

    def time_ns(self) -> int:
        """Return the wall clock, kept through the suspend by its battery."""
        return 1_772_338_322_000_000_000 + round((self.awake_s + self.asleep_s) * 1e9)


@pytest.fixture
def host(monkeypatch: pytest.MonkeyPatch) -> Host:
    one = Host()
    monkeypatch.setattr(clock, "time", SimpleNamespace(clock_gettime=one.clock_gettime, time_ns=one.time_ns))
    return one


@pytest.mark.parametrize("asleep_s", [0.0, 3.0, 3600.0])
def test_monotonic_seconds_count_on_while_the_host_is_suspended(host: Host, asleep_s: float) -> None:
    """One second awake and some asleep is their sum, on both clocks."""
    before = Clock().now()
    host.awake_s, host.asleep_s = host.awake_s + 1.0, asleep_s
    after = Clock().now()
    assert after.mono_s - before.mono_s == 1.0 + asleep_s
    assert after.utc_ms - before.utc_ms == 1000 * (1.0 + asleep_s)


@pytest.mark.parametrize(("asleep_s", "heats"), [(2.0, True), (3.0, False), (3605.0, False)])
def test_a_suspend_is_a_gap_after_which_heat_waits_for_new_readings(host: Host, asleep_s: float, heats: bool) -> None:
    """What the clock says of a suspend is what the tick is given: a tick of a second late by 3 s or more (C05, T06)."""
    bed = warm_bed()
    before = Clock().now()
    host.asleep_s = asleep_s
    bed.pause(round(Clock().now().mono_s - before.mono_s))
    assert bed.tick() is heats
