"""A model and records for the planner's tests: a bed whose truth is the model itself."""

from dataclasses import replace

import numpy as np

from controller.control.log import Log
from controller.control.model_of import model_of
from controller.control.stepping import BED, STATES, Array, air_c, stepper
from controller.control.thermal import ThermalModel
from controller.planning.ahead import Place
from controller.planning.foresee import Facts
from controller.plant.construction import Construction, HeaterKind

PLACE = Place(46.2, 8.4)
MIDNIGHT_MS = 1_772_409_600_000
"""2026-03-02T00:00Z."""
CABLE = model_of(Construction(), 0.1)
AIR = model_of(Construction(heater=HeaterKind.AIR_HEATER, rated_w=1500.0), 0.1)
FLOOR_M2 = Construction().floor_m2


def facts(asked_c: float | None = 18.0, **parts: object) -> Facts:
    """Return what a planner knows of the bed."""
    known = Facts("larch", PLACE, FLOOR_M2, has_light=True, most=1.0, asked_c=lambda _ms: asked_c)
    return replace(known, **parts)  # type: ignore[arg-type]


def lived(model: ThermalModel, days: float, seed: int = 1, begins_c: float = 16.0) -> Log:
    """Return a log in which the bed did what the model says: a daily wave outside, sun at noon, heat by hours."""
    rows = round(days * 144)
    hours = np.arange(rows) / 6.0
    draw = np.random.default_rng(seed)
    outside_c = 4.0 + 6.0 * np.sin((hours - 9.0) * np.pi / 12.0) + draw.normal(0.0, 0.3, rows)
    light = np.clip(500.0 * np.sin((hours % 24.0 - 6.0) * np.pi / 12.0), 0.0, None)
    duty = np.repeat(draw.uniform(0.0, 1.0, rows // 18 + 1), 18)[:rows]
    step = stepper(model, 600.0)
    state = np.zeros(len(STATES))
    state[:3] = begins_c
    soil, air = np.empty(rows), np.empty(rows)
    for row in range(rows):
        inputs = np.array([outside_c[row], light[row], duty[row]])
        soil[row], air[row] = state[BED], air_c(model, state, inputs)
        state = step.after(state, inputs)
    return Log(MIDNIGHT_MS, 600.0, soil, air, outside_c, light, duty)


def with_gaps(values: Array, every: int) -> Array:
    """Return values with every n-th missing."""
    gone = values.copy()
    gone[::every] = np.nan
    return gone
