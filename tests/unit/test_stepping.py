"""The model's steps taken all at once are the steps taken one by one."""

import numpy as np
import pytest

from controller.control.stepping import STATES, chained, stepper, through
from controller.control.thermal import ThermalModel
from controller.plant.column import STORES, column_of, stepped
from controller.plant.construction import Construction, HeaterKind
from tests.thermal_site import AIR, CABLE


@pytest.mark.parametrize("model", [CABLE, AIR], ids=["cable", "air"])
@pytest.mark.parametrize("seconds", [600.0, 1800.0])
def test_stores_run_through_days_without_a_loop(model: ThermalModel, seconds: float) -> None:
    """Every state at every row, for inputs that jump about."""
    draw = np.random.default_rng(3)
    inputs = draw.normal(0.0, 1.0, (432, 3)) * [10.0, 300.0, 1.0]
    state = draw.normal(10.0, 5.0, len(STATES))
    step = stepper(model, seconds)
    one_by_one = [state]
    for row in inputs:
        one_by_one.append(step.after(one_by_one[-1], row))
    assert through(step, state, inputs) == pytest.approx(np.array(one_by_one), rel=1e-11, abs=1e-11)


@pytest.mark.parametrize("kind", list(HeaterKind))
def test_layers_of_soil_do_too(kind: HeaterKind) -> None:
    """Eight layers whose modes are far from alike."""
    draw = np.random.default_rng(4)
    a, b, c = stepped(column_of(Construction(heater=kind), 0.1), 600.0)
    driven = draw.normal(0.0, 1.0, (432, 4)) * [10.0, 300.0, 1.0, 5.0] @ b.T + c
    states = [draw.normal(10.0, 5.0, STORES + 1)]
    for push in driven:
        states.append(a @ states[-1] + push)
    assert chained(a, driven, states[0]) == pytest.approx(np.array(states), rel=1e-11, abs=1e-11)
