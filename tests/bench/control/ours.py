"""Our controller, through the door for every claim about control: the real tick, its learning and its planning."""

import numpy as np

from controller.control.outlook import Forecaster
from controller.plant.simulate import simulate
from tests.bench.control.compare import Run, judge
from tests.bench.control.constructions import settings_of
from tests.bench.control.lab_plant import Array, LabPlant, Linear
from tests.bench.control.weather import DAYS, STEP_S, Fortnight


def run(
    linear: Linear, of: Fortnight, state: Array, bias_k: float, forecast: Forecaster | None, light: bool = True,
    foresight: bool = True,
) -> Run:  # fmt: skip
    """Return our fortnight with the schedule's set point shifted, measured against the true one."""
    built = linear.built
    settings = settings_of(built, built.set_point_c + bias_k, of.place, light)
    plant = LabPlant(linear, of.rows, state, STEP_S, of.seed, light=light)
    trace = simulate(
        settings, built.name, plant, of.start_ms, DAYS * 86_400.0, tick_s=STEP_S, forecast=forecast, foresight=foresight
    )
    # A plant heats in the minute after an order; the trace holds the order.
    on = np.concatenate([[False], np.array(trace.heater_on[:-1], dtype=bool)])
    return judge(np.array(plant.true_c), on, built.set_point_c, built.rated_w)
