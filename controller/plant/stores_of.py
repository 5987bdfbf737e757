"""The three stores that answer like a column of layers: what is fitted finely is controlled coarsely."""

import math
from dataclasses import replace

import numpy as np
from scipy.optimize import least_squares

from controller.control.stepping import BED, STATES, STORES, Array, chained, stepper
from controller.control.thermal import LEARNT, ThermalModel
from controller.plant.column import DUTY, LIGHT, OUTSIDE, Column, share_at, stepped
from controller.plant.column import STORES as COLUMN_STORES

STEP_S, STEPS = 1800.0, 96
"""Two days: as far as anyone plans."""
LEAST_SHARE = 0.02
"""Of the last answer: one smaller than that counts as if it were so large."""
ENOUGH = 1e-6
"""Part of the misses below which nearer answers are not looked for."""
OFF = 1.5
"""Standard deviation of each logarithm: only where an answer leaves a figure open, the given model's holds."""


def stores_of(column: Column, like: ThermalModel) -> ThermalModel:
    """Return stores whose bed answers heat, outside and light as the column's probe does, beginning from others."""
    wanted = _column_answers(column)
    given = replace(like, heater_w=column.heater_w, deep_c=column.deep_c)
    # Each answer counts by its own size, so that two hours of heat are met as well as two days.
    scale = np.maximum(np.abs(wanted), LEAST_SHARE * np.abs(wanted[-1]))

    def misses(offs: Array) -> Array:
        answers = _store_answers(_shifted(given, offs))
        return np.concatenate([((answers - wanted) / scale).ravel(), offs / OFF * 0.1])

    return _shifted(given, np.asarray(least_squares(misses, np.zeros(len(LEARNT)), ftol=ENOUGH, max_nfev=40).x))


def _shifted(given: ThermalModel, offs: Array) -> ThermalModel:
    return replace(given, **{n: getattr(given, n) * math.exp(off) for n, off in zip(LEARNT, offs, strict=True)})


def _column_answers(column: Column) -> Array:
    """Return [K] of the probe, step by step, to a lasting kelvin outside, a W/m2 of light, and full heat."""
    a, b, _ = stepped(column, STEP_S)
    return _answers(a, b[:, [OUTSIDE, LIGHT, DUTY]], np.append(share_at(column.probe_m), [0.0, 0.0]), COLUMN_STORES)


def _store_answers(model: ThermalModel) -> Array:
    step = stepper(model, STEP_S)
    return _answers(step.a, step.b, np.eye(len(STATES))[BED], STORES)


def _answers(a: Array, b: Array, seen: Array, stores: int) -> Array:
    states = chained(a, np.broadcast_to(b, (STEPS, *b.shape)), np.zeros(b.shape), stores)
    return np.asarray(seen @ states[1:])
