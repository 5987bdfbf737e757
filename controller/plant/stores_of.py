"""The three stores that answer like a column of layers: what is fitted finely is controlled coarsely."""

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from controller.control.stepping import BED, Array, chained, stepper
from controller.control.thermal import LEARNT, ThermalModel
from controller.plant.column import DUTY, LAYERS, LIGHT, OUTSIDE, Column, share_at, stepped
from controller.plant.fitting import fitted

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
    scale = np.maximum(np.abs(wanted), LEAST_SHARE * np.abs(wanted[:, -1:]))

    def missed_each(offs: Array) -> Array:
        answers = _store_answers([_shifted(given, each) for each in offs])
        return np.hstack([((answers - wanted) / scale).reshape(len(offs), -1), offs / OFF * 0.1])

    return _shifted(given, fitted(missed_each, len(LEARNT), enough=ENOUGH, most_tries=40)[0])


def _shifted(given: ThermalModel, offs: Array) -> ThermalModel:
    return replace(given, **{n: getattr(given, n) * math.exp(off) for n, off in zip(LEARNT, offs, strict=True)})


def _column_answers(column: Column) -> Array:
    """Return [K] of the probe, step by step, to a lasting kelvin outside, a W/m2 of light, and full heat."""
    a, b, _ = stepped(column, STEP_S)
    return _answers(a, b[:, [OUTSIDE, LIGHT, DUTY]])[..., :LAYERS] @ share_at(column.probe_m)


def _store_answers(models: Sequence[ThermalModel]) -> Array:
    """Return the bed's answers likewise, of each model."""
    steps = [stepper(model, STEP_S) for model in models]
    return _answers(np.stack([step.a for step in steps]), np.stack([step.b for step in steps]))[..., BED]


def _answers(a: Array, b: Array) -> Array:
    """Return the states, step by step, that each lasting input leads to."""
    each = b.swapaxes(-1, -2)
    driven = np.broadcast_to(each[..., None, :], (*each.shape[:-1], STEPS, each.shape[-1]))
    return chained(a[..., None, :, :], driven, np.zeros(each.shape))[..., 1:, :]
