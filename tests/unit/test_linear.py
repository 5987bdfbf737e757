"""A model as estimating and looking ahead see it, be it three stores or a column of layers."""

from dataclasses import replace

import numpy as np
import pytest

from controller.control.log import ARRAYS, Log
from controller.control.thermal import ThermalModel
from controller.control.tuned import forward_of
from controller.planning.estimate import estimate
from controller.planning.foresee import Facts
from controller.planning.learning import layers_of, learn
from controller.planning.linear import Model, linear
from controller.planning.planner import Planner
from controller.plant.column import Column, column_of, needed
from controller.plant.column_run import MAY_BE_OFF
from controller.plant.construction import Construction, HeaterKind
from tests.identified_site import enclosed, logged
from tests.thermal_site import AIR, CABLE, FLOOR_M2, MIDNIGHT_MS, PLACE, facts, lived

BURIED = column_of(Construction(), 0.1)
HOT_AIR = column_of(Construction(heater=HeaterKind.AIR_HEATER, rated_w=1500.0), 0.1)
EVERY = pytest.mark.parametrize("model", [CABLE, AIR, BURIED, HOT_AIR], ids=["cable", "air", "layers", "layers-air"])


@EVERY
def test_a_run_all_at_once_is_a_run_step_by_step(model: Model) -> None:
    """The soil at the probe, row by row, under weather and heat that change."""
    by, draw = linear(model, 1800.0, FLOOR_M2), np.random.default_rng(3)
    inputs = np.column_stack([draw.normal(5.0, 4.0, 60), draw.uniform(0.0, 500.0, 60), draw.uniform(0.0, 1.0, 60)])
    state = by.begun(14.0, 0.5)
    state[-1] = -40.0
    together = by.through(state, inputs)
    for row, each in enumerate(inputs):
        assert together[row] == pytest.approx(by.seen @ state)
        state = by.step.after(state, each)
    assert together[-1] == pytest.approx(by.seen @ state)


@EVERY
def test_the_duty_that_holds_a_kelvin_is_what_full_heat_lifts_in_the_end_turned_over(model: Model) -> None:
    """Pulses of months of full heat sum up to it; for stores it is what outside and deep ground ask for together."""
    by = linear(model, 1800.0, FLOOR_M2)
    assert by.rise_k(48 * 500).sum() == pytest.approx(1.0 / by.hold_per_k(), rel=1e-3)
    if isinstance(model, ThermalModel):
        forward = forward_of(model)
        assert by.hold_per_k() == pytest.approx(forward.outside_per_k + forward.deep_per_k)


@pytest.mark.parametrize("column", [BURIED, HOT_AIR], ids=["cable", "air"])
def test_layers_are_planned_with_as_they_were_learnt(column: Column) -> None:
    """Full heat of two hours and of a day lifts the probe as the column says of itself."""
    rise_k = linear(column, 1800.0, FLOOR_M2).rise_k(48)
    assert rise_k[:4].sum() == pytest.approx(needed(column)["rise_2h_k"])
    assert rise_k.sum() == pytest.approx(needed(column)["rise_24h_k"])


def test_what_no_probe_sees_is_foreseen_to_go_on() -> None:
    """Outside is told 5 K too warm for four days, as a sky takes heat: a day ahead the soil is still foreseen well."""
    told = lived(CABLE, 4.0)
    told = replace(told, outside_c=told.outside_c + 5.0)
    known = slice(0, 3 * 144)
    before = replace(told, **{name: getattr(told, name)[known] for name in ARRAYS})
    inputs = np.column_stack([told.outside_c, told.light_w_m2, told.duty])[3 * 144 :]
    ahead_c = linear(CABLE, 600.0, FLOOR_M2).through(estimate(CABLE, before, FLOOR_M2).state, inputs)
    assert ahead_c[-1] == pytest.approx(told.soil_c[-1], abs=0.15)


@pytest.fixture(scope="module")
def taught() -> tuple[Facts, Log]:
    """Give three days of a simulated enclosure, and what its owner says of it."""
    site = enclosed(7001, HeaterKind.SOIL_CABLE)
    log, _, _ = logged(site)
    return facts(built=site.told, depth_m=site.depth_m, place=PLACE), replace(log, ends_ms=MIDNIGHT_MS)


def test_layers_that_were_learnt_are_planned_with(taught: tuple[Facts, Log]) -> None:
    """After a lesson with light the planner sees by the layers; without a light probe there are none."""
    known, log = taught
    planner = Planner(known, CABLE, learn)
    planner.turn(log)
    assert planner.ready is not None
    assert isinstance(planner.ready.by, Column)
    assert planner.ready.by.loss_w_k == planner.figures["loss_w_k"][0]
    assert planner.ready.by.deep_c == planner.model.deep_c
    assert layers_of(replace(known, has_light=False), planner.figures, planner.model.deep_c) is None


@pytest.mark.parametrize("name", ["soil_w_m_k", "probe_m"])
@pytest.mark.parametrize("times", [0.19, 5.1])
def test_figures_that_cannot_be_make_no_layers(name: str, times: float) -> None:
    """A fifth to five times geometry's is believed, as when a person adopts a model; none may be missing."""
    known = facts(built=Construction(), depth_m=0.1)
    figures = {each: (getattr(BURIED, each),) * 3 for each in MAY_BE_OFF}
    assert layers_of(known, figures, 9.0) == BURIED
    assert layers_of(known, figures | {name: (times * getattr(BURIED, name),) * 3}, 9.0) is None
    assert layers_of(known, {each: figures[each] for each in figures if each != name}, 9.0) is None
    assert layers_of(facts(built=None), figures, 9.0) is None


def test_no_figures_give_the_air_more_than_all_of_the_heat() -> None:
    """A fit that does leaves the floor nothing, not less."""
    built = Construction(heater=HeaterKind.AIR_HEATER, rated_w=1500.0)
    figures = {each: (getattr(HOT_AIR, each),) * 3 for each in MAY_BE_OFF} | {"to_air": (1.3, 1.2, 1.4)}
    found = layers_of(facts(built=built, depth_m=0.1), figures, 9.0)
    assert found is not None
    assert (found.to_air, found.to_surface) == (1.0, 0.0)


def test_a_log_of_layers_shows_where_they_stand() -> None:
    """Four days by the stores' truth: the layers stand at the probe where it says, and miss little six hours ahead."""
    log = lived(CABLE, 4.0)
    found = estimate(BURIED, log, FLOOR_M2)
    assert linear(BURIED, 600.0, FLOOR_M2).seen @ found.state == pytest.approx(log.soil_c[-1], abs=0.2)
    assert found.missed_k < 1.0
