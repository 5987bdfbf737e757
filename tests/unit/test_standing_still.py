"""Held off for a while, control stands still; held off for more than ten minutes, it starts afresh."""

import pytest

from tests.core_site import Bed, plan_of

FORGET_AFTER_S = 600
"""[s] restated."""


def held_off_since_control(bed: Bed, seconds: int) -> Bed:
    """Hold heat off until the tick that comes `seconds` after the last one at which a duty was computed."""
    controlled_s = bed.state.controlled_s
    assert controlled_s is not None
    bed.journal_ok = False
    while bed.now.mono_s <= controlled_s + seconds:
        bed.tick()
        assert not bed.on
    return bed


@pytest.fixture
def bed() -> Bed:
    """Give a bed that heats and has gathered some integral."""
    plan = plan_of(control={"gain_per_k": 0.05, "integral_h": 3.0, "ramp_k_per_h": 20.0, "window_s": 300.0})
    one = Bed(plan, {"soil": 16.0, "air": 10.0}).run(605)
    assert one.on_seconds(300)
    assert one.state.integral > 0.0
    return one


@pytest.mark.parametrize(("seconds", "kept"), [(30, True), (599, True), (600, True), (601, False), (3600, False)])
def test_the_integral_is_kept_for_ten_minutes_without_heat(bed: Bed, seconds: int, kept: bool) -> None:
    """To the last bit up to 600 s, and gone just after: duty, working set point and window with it."""
    before = bed.state
    after = held_off_since_control(bed, seconds).state
    if kept:
        assert after.integral == before.integral
        assert (after.duty, after.working_c, after.cycle) == (before.duty, before.working_c, before.cycle)
    else:
        assert after.integral == 0.0
        assert (after.duty, after.working_c, after.cycle, after.controlled_s) == (0.0, None, None, None)


@pytest.mark.parametrize(("seconds", "kept"), [(599, True), (601, False)])
def test_heat_goes_on_from_what_was_kept(bed: Bed, seconds: int, kept: bool) -> None:
    """After the permissive's return the first new duty stands on the old integral, or begins at the soil's own."""
    before = bed.state
    held_off_since_control(bed, seconds)
    bed.journal_ok = True
    bed.run(2)
    assert before.working_c is not None
    assert bed.state.working_c is not None
    assert (bed.state.integral >= before.integral) is kept
    assert (bed.state.working_c >= before.working_c) is kept
