"""What the model does not know, by the hour of the day."""

from dataclasses import replace

import numpy as np
import pytest

from controller.control.log import Log
from controller.control.stepping import BED, STATES, UPPER, Array, pushes, stepper, through
from controller.planning.ahead import WeatherAhead
from controller.planning.daily import PARTS, daily_w, known_ahead_w, known_behind_w
from controller.planning.estimate import estimate
from controller.planning.foresee import ready
from controller.planning.horizon import STEP_S, STEPS, look_ahead
from tests.thermal_site import CABLE, FLOOR_M2, MIDNIGHT_MS, facts, lived

SKY_W = -12.0 * FLOOR_M2


def under_a_sky(sky_w: float = SKY_W) -> Log:
    """Return a record of the bed losing heat to the sky from 18 to 6 h UTC, which its model knows nothing of."""
    bare = replace(lived(CABLE, 4.0), ends_ms=MIDNIGHT_MS)
    step, inputs = stepper(CABLE, 600.0), np.column_stack([bare.outside_c, bare.light_w_m2, bare.duty])
    hours = np.arange(len(bare)) / 6.0 % 24.0
    lost_w = np.where((hours < 6.0) | (hours >= 18.0), sky_w, 0.0)
    state = np.zeros(len(STATES))
    state[:3] = 16.0
    states = through(step, state, inputs, lost_w)
    return replace(bare, soil_c=np.asarray((states[1:, BED] + states[:-1, BED]) / 2.0))


def test_a_loss_of_every_night_is_found_in_its_hours() -> None:
    """Within a third of the 12 W/m2, and little by day."""
    found = daily_w(CABLE, under_a_sky(), FLOOR_M2) / FLOOR_M2
    by_night, by_day = np.r_[found[:2], found[6:]], found[2:6]
    assert by_night.mean() == pytest.approx(-12.0, abs=4.0)
    assert abs(by_day.mean()) < 4.0


def test_a_model_that_knows_all_has_nothing_to_add() -> None:
    """A bed that is its model: next to nothing at any hour, gaps in the soil or not."""
    log = under_a_sky(0.0)
    gone = log.soil_c.copy()
    gone[::5] = np.nan
    for soil_c in (log.soil_c, gone):
        assert np.abs(daily_w(CABLE, replace(log, soil_c=soil_c), FLOOR_M2) / FLOOR_M2).max() < 2.0


def test_the_hours_ahead_are_those_behind() -> None:
    """Part by part of the UTC day, whatever the step."""
    daily: Array = np.arange(float(PARTS))
    log = replace(lived(CABLE, 1.0), ends_ms=MIDNIGHT_MS)
    assert known_behind_w(daily, log)[[0, 17, 18, 143]].tolist() == [0.0, 0.0, 1.0, 7.0]
    ahead = known_ahead_w(daily, MIDNIGHT_MS, 1800.0, 50)
    assert ahead[[0, 5, 6, 47, 48]].tolist() == [0.0, 0.0, 1.0, 7.0, 0.0]


def test_a_night_is_foreseen_colder_for_it_and_the_plan_heats_for_it() -> None:
    """From a sunset on: the soil without heat ends the night nearer to what comes; the programme asks for more."""
    log = under_a_sky()
    cut = {name: getattr(log, name)[:-36] for name in ("soil_c", "air_c", "outside_c", "light_w_m2", "duty")}
    evening = Log(MIDNIGHT_MS - 6 * 3_600_000, 600.0, **cut)
    begun = ready(facts(), CABLE, evening)
    known_w = begun.weather.known_w
    assert known_w is not None
    assert known_w[:12].mean() < 0.5 * SKY_W
    plain = estimate(CABLE, evening, FLOOR_M2)
    asked_c = np.full(STEPS, 18.0)
    blind = look_ahead(
        CABLE, plain.state, WeatherAhead(begun.weather.outside_c, begun.weather.light_w_m2), asked_c, 1.0
    )
    seen = look_ahead(CABLE, begun.state, begun.weather, asked_c, 1.0)
    assert seen.duty[:24].sum() > blind.duty[:24].sum()


def test_heat_that_is_known_enters_as_heat_that_is_unknown_does() -> None:
    """A steady watt by either door warms the stores alike within a step."""
    step, state = stepper(CABLE, STEP_S), np.zeros(len(STATES))
    cold = step.after(state, np.zeros(3))
    state[-1] = 5.0
    unknown = step.after(state, np.zeros(3)) - cold
    assert pushes(step, np.array([5.0]))[0, : UPPER + 3] == pytest.approx(unknown[: UPPER + 3])
