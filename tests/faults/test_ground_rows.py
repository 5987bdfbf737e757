"""Rows of the soil itself: three days in a bed that is not as the settings say, and what the night's lesson tells."""

from dataclasses import replace
from statistics import fmean

import pytest

from controller import enclosure
from controller.clock import Moment
from controller.control.foresight import Foresight
from controller.control.tuned import tuned_by
from controller.plan import plan_for
from controller.planning.facts_of import facts_of
from controller.planning.learning import learn
from controller.planning.means import Means
from controller.plant.construction import TEXTURES
from controller.plant.enclosure_plant import EnclosurePlant
from controller.plant.from_settings import construction_of
from controller.plant.simulate import coarse
from controller.plant.sites import Site
from controller.plant.weather import SpringWeather
from controller.standing import Standing
from tests.core_site import Bed
from tests.nuisance.season import (
    BUILT,
    LATITUDE,
    LONGITUDE,
    NOISE_K,
    START_DAY_OF_YEAR,
    START_MS,
    TICK_S,
    heard,
    settings_of,
)

DAYS = 3.1
VALUES = {"soil": 10.0, "air": 10.0, "outside": 5.0, "case": 20.0}


def taught(soil: str, texture: str | None) -> Bed:
    """Return a bed whose planner has learnt from three days in soil of that texture (None: as the settings say)."""
    built = replace(BUILT["cable-ample"], shape={"soil": soil}, shut=False)
    settings = settings_of(built)
    chosen = settings.enclosure[0]
    plan, made = coarse(plan_for(settings, chosen, TICK_S), TICK_S), construction_of(chosen)
    made = made if texture is None else replace(made, texture=TEXTURES[texture])
    weather = SpringWeather(1, LATITUDE, LONGITUDE, START_MS, season_day=START_DAY_OF_YEAR)
    sites = {each.name: Site(each.quantity, each.level_m) for each in chosen.probe}
    plant = EnclosurePlant(made, weather, sites, START_MS, seed=1, noise_k=NOISE_K)
    state, means = enclosure.start(plan, Standing(armed=True, proved_ms=START_MS)), Means()
    for number in range(1, round(DAYS * 1440)):
        plant.advance(TICK_S, state.order.on)
        now = Moment(number * TICK_S, START_MS + round(number * TICK_S * 1000))
        inputs = heard(plan, plant, state.order.on, now)
        said = {each.probe: each.value for each in inputs.readings}
        air_c, outside_c = (fmean(said[each.name] for each in some) for some in (plan.air, plan.outside))
        means.take(now.utc_ms, (state.soil_c, air_c, outside_c, None, float(state.order.on)))
        state, _ = enclosure.step(plan, state, inputs, now)
        state.standing = replace(state.standing, trips=())
    lesson = learn(facts_of(chosen, plan), plan.tuned.model, plan.tuned.model, means.log())
    assert lesson is not None
    known = Foresight(0, 1800.0, (), (0.0,), (), tuned=tuned_by(lesson.model))
    asked = Standing(armed=True, override_c=30.0, proved_ms=START_MS)
    return Bed(plan_for(settings, chosen), dict(VALUES), asked, begins_ms=START_MS, also={"foresight": known})


@pytest.mark.parametrize(
    ("soil", "texture", "told", "highest_c"),
    [
        pytest.param("peat", "peat-dry", ["soil-dry"], 27.0, id="E06-bone-dry-peat"),
        pytest.param("loam", "clay-dry", ["soil-dry"], 27.0, id="E06-dry-loam"),
        pytest.param("peat", "peat-wet", ["soil-wet"], 30.0, id="E05-drowned-peat"),
        pytest.param("peat", None, [], 30.0, id="peat-as-set"),
        pytest.param("sand", None, [], 30.0, id="sand-as-set"),
    ],
)
def test_three_days_tell_dry_soil_from_drowned_and_from_sound(
    soil: str, texture: str | None, told: list[str], highest_c: float
) -> None:
    """E05 E06: told by its name, heated on; in dry soil to 5 K under the highest set point at most."""
    bed = taught(soil, texture)
    bed.run(120)
    assert bed.state.duty > 0.0
    assert [each for each in bed.alerts if each.startswith("soil-")] == told
    assert bed.state.asked_c == highest_c
    assert bed.trips == ()
