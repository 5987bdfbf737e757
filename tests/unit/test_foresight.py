"""How far a plan is followed."""

from dataclasses import replace

import pytest

from controller.control.foresight import Foresight, planned_duty
from controller.foreseen import plan_at
from controller.plan import CONTROL_PERIOD_S
from tests.core_site import AIR, NIGHT_MS, SOIL, Bed, plan_of

START_MS = 1_772_409_600_000
PLAN = Foresight(START_MS, 1800.0, (0.2, 0.8, 0.5), (17.0, 17.5, 18.0, 18.0), (18.0, 18.0, None))


def at(
    seconds: float, asked_c: float = 18.0, soil_c: float = 17.5, alone: float = 0.4, plan: Foresight = PLAN
) -> float | None:
    """Ask the plan."""
    return planned_duty(plan, START_MS + round(1000 * seconds), asked_c, soil_c, alone)


def test_a_plan_is_followed_step_by_step() -> None:
    """The duty of the step that holds now; nothing before it begins, after it ends, or without a plan."""
    assert (at(0), at(1799), at(1800), at(3599)) == (0.2, 0.2, 0.8, 0.8)
    assert at(-1) is None
    assert at(5400) is None
    assert planned_duty(None, START_MS, 18.0, 17.5, 0.4) is None


def test_a_step_without_a_set_point_is_not_followed() -> None:
    """Nothing was asked for then; whoever asks now is not who was planned for."""
    assert at(3700) is None


@pytest.mark.parametrize(("asked_c", "followed"), [(18.0, True), (18.5, True), (18.51, False), (17.49, False)])
def test_another_set_point_is_another_plan(asked_c: float, followed: bool) -> None:
    """Half a kelvin to either side, no more."""
    assert (at(1800, asked_c=asked_c) is not None) is followed


@pytest.mark.parametrize(
    ("soil_c", "followed"), [(17.5, True), (19.0, True), (19.01, False), (16.0, True), (15.99, False)]
)
def test_soil_astray_ends_the_plan(soil_c: float, followed: bool) -> None:
    """1.5 K from where the plan thought the soil would be: the model is wrong, the loop goes on alone."""
    assert (at(1800, soil_c=soil_c) is not None) is followed


@pytest.mark.parametrize(("soil_c", "duty"), [(17.0, 0.2), (16.99, 0.4)])
def test_a_plan_withholds_no_heat_from_cold_soil(soil_c: float, duty: float) -> None:
    """More than 1 K below the set point the loop's own duty counts where it is higher."""
    assert at(60, soil_c=soil_c) == duty


def test_an_old_plan_is_not_followed() -> None:
    """A planner that has been silent for three hours is followed no more."""
    long = Foresight(START_MS, 1800.0, (0.5,) * 72, (17.5,) * 73, (18.0,) * 72)
    assert at(3 * 3600 - 1, plan=long) == 0.5
    assert at(3 * 3600, plan=long) is None


def test_a_plan_holds_two_minutes_after_its_start() -> None:
    """Until then the one before; so a replay knows which was followed when."""
    later = replace(PLAN, starts_ms=START_MS + 1_800_000)
    assert plan_at([PLAN, later], later.starts_ms + 119_999) is PLAN
    assert plan_at([PLAN, later], later.starts_ms + 120_000) is later
    assert plan_at([], later.starts_ms) is None


def heated(soil_c: float, duty: float | None, trip_c: float = 40.0) -> Bed:
    """Return a bed in frost, under a set point of 20 Cel and a loop too weak to say no, ten minutes on.

    `duty` is its plan's; None: there is no plan.
    """
    begins_ms = NIGHT_MS - 600_000
    plan = None if duty is None else Foresight(begins_ms, 1800.0, (duty,) * 4, (soil_c,) * 5, (20.0,) * 4)
    outside = {"name": "outside", "quantity": "outside", "height_m": 1.5}
    weak = {"gain_per_k": 0.02, "integral_h": 100.0, "window_s": 300.0}
    says = {"soil": soil_c, "air": 10.0, "outside": -10.0}
    built = plan_of(SOIL, AIR, outside, control=weak, limits={"soil_trip": trip_c})
    return Bed(built, dict(says), also={"foresight": plan}).run(600)


@pytest.mark.parametrize(
    ("soil_c", "duty", "heats"),
    [
        (21.9, None, True),
        (22.1, None, False),
        (22.1, 1.0, True),
        (22.74, 1.0, True),
        (22.76, 1.0, False),
        (21.9, 0.0, False),
    ],
)
def test_a_plan_alone_stores_heat_up_to_two_kelvin_and_three_quarters(
    soil_c: float, duty: float | None, heats: bool
) -> None:
    """Under the 3 K at which heat latches off. Without a plan 2 K end it: the sun has warmed the soil."""
    bed = heated(soil_c, duty)
    assert bool(bed.on_seconds(120)) is heats
    assert not bed.trips


@pytest.mark.parametrize(("duty", "trip_c", "heats"), [(1.0, 23.4, True), (1.0, 23.2, False), (None, 21.4, False)])
def test_no_heat_comes_near_a_trip_that_settings_have_lowered(duty: float | None, trip_c: float, heats: bool) -> None:
    """Soil 1 K below its trip is heated no more, by a plan or without: what the cable still holds would latch."""
    bed = heated(22.3 if duty else 20.5, duty, trip_c)
    assert bool(bed.on_seconds(120)) is heats
    assert not bed.trips


def test_the_rest_of_a_window_is_no_stored_heat() -> None:
    """A plan that asks for no heat any more, in the middle of a closing: above 2 K the contact opens."""
    bed = heated(22.1, 0.9)
    assert any(bed.tick() for _ in range(300))
    bed.also = {
        "foresight": replace(
            PLAN, starts_ms=bed.now.utc_ms, duty=(0.0,) * 3, soil_c=(22.1,) * 4, set_point_c=(20.0,) * 3
        )
    }
    assert not bed.run(round(CONTROL_PERIOD_S) + 2).on
