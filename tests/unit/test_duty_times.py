"""When a duty is computed: now and then, at another set point, and as a window begins."""

from dataclasses import replace

import pytest

from controller.plan import CONTROL_PERIOD_S
from controller.tuning.pulses import Trial
from tests.core_site import AIR, SOIL, Bed, plan_of

SLOW = {"gain_per_k": 0.2, "integral_h": 10.0, "window_s": 325.0}


def bed_of(soil_c: float) -> Bed:
    """Return a bed at rest, under a set point of 20 Cel and a loop that does not saturate."""
    return Bed(plan_of(SOIL, AIR, control=SLOW), {"soil": soil_c, "air": 10.0}).run(200)


def test_a_duty_stands_between_two_computings() -> None:
    """Over three periods of colder soil a second, it changes three times."""
    bed = bed_of(19.0)
    begun = bed.second
    bed.says["soil"] = lambda second: 19.0 - 0.001 * (second - begun)
    duties = [(bed.tick(), bed.state.duty)[1] for _ in range(round(3 * CONTROL_PERIOD_S))]
    assert len(set(duties)) in (3, 4)


def test_a_person_is_answered_at_once() -> None:
    """Not at the next computing: whoever sets another set point sees what it does."""
    for _ in range(3):
        bed = bed_of(19.0).run(7)
        before = bed.state.duty
        bed.ask("set-point", set_point_c=15.0)
        assert bed.state.duty < before


def test_a_second_tick_of_one_instant_computes_nothing() -> None:
    """No loop can be computed over no time at all: a person's word in it is no fault, and is answered later."""
    bed = bed_of(19.0)
    while bed.state.controlled_s != bed.state.ticked_s:
        bed.tick()
    before = bed.state.duty
    bed.second -= 1
    bed.ask("set-point", set_point_c=15.0)
    assert bed.state.controlled_s == bed.state.ticked_s
    assert bed.run(round(CONTROL_PERIOD_S)).state.duty < before


def test_a_window_takes_the_duty_of_its_own_instant() -> None:
    """However lately one was computed: a window lasts half an hour."""
    bed, begins = bed_of(19.0), []
    for _ in range(975):
        ends_s = bed.state.cycle.ends_s if bed.state.cycle is not None else None
        bed.tick()
        if bed.state.cycle is not None and bed.state.cycle.ends_s != ends_s:
            begins.append(bed.state.controlled_s == bed.state.ticked_s)
    assert len(begins) == 3
    assert all(begins)


@pytest.mark.parametrize("warm_s", [61, 71, 81])
def test_soil_that_was_too_warm_has_a_duty_again_as_soon_as_it_is_not(warm_s: int) -> None:
    """The window that begins then would else be one without heat, for half an hour."""
    outside = {"name": "outside", "quantity": "outside", "height_m": 1.5}
    plan = plan_of(SOIL, AIR, outside, control={"gain_per_k": 0.02, "integral_h": 100.0, "window_s": 300.0})
    bed = Bed(plan, {"soil": 22.05, "air": 10.0, "outside": -10.0}).run(200 + warm_s)
    assert bed.state.duty == 0.0
    bed.says["soil"] = 21.95
    begun = bed.second
    assert bed.run(40).on_seconds(begun)


def test_a_trial_that_ends_is_answered_at_once() -> None:
    """Whoever cancels a pulse has its heat gone with the next tick, and a pulse begins when it should."""
    bed = bed_of(19.0).run(7)
    begins_ms = bed.now.utc_ms + 5000
    trial = Trial(1, "Ada", begins_ms, 4, asked_c=20.0)
    bed.state.standing, bed.state.trial_request = replace(bed.state.standing, trial=trial), 1
    bed.run(5)
    assert bed.state.tried is None
    bed.tick()
    assert (bed.state.tried, bed.state.duty) == (1.0, 1.0)
    bed.run(7)
    bed.state.standing = replace(bed.state.standing, trial=None)
    bed.tick()
    assert bed.state.tried is None
    assert bed.state.duty < 1.0
