"""What a column of layers alone would have done under a log: for every change of its figures, starts and sky."""

import math
from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from controller.control.log import Log
from controller.control.stepping import Array, chained, discrete
from controller.plant.column import (
    CENTRE_M,
    CONTENTS,
    HEAT,
    LAYERS,
    SKY,
    STORES,
    Column,
    rates,
    share_at,
    surface_and_air,
)

MAY_BE_OFF: dict[str, float] = {
    "loss_w_k": 0.25,
    "exchange_w_k": 0.3,
    "sky_w_k": 0.3,
    "contents_j_k": 0.4,
    "soil_w_m_k": 0.35,
    "soil_j_m_k": 0.2,
    "edge_w_m_k": 0.5,
    "air_sun_m2": 0.5,
    "soil_sun_m2": 0.4,
    "lag_s": 0.5,
    "probe_m": 0.12,
    "cable_m": 0.12,
    "heater_w": 0.02,
    "to_air": 0.12,
}
"""Standard deviation of the logarithm, geometry against truth (engineering judgement)."""
STARTS = {"deep_c": 3.0, "surface_c": 3.0, "below_c": 3.0}
"""[K] how far deep ground, and the soil above and below the probe at the start, may be off."""
SKY_EVERY_S = 6 * 3600.0


def shifted(before: Column, offs: Array) -> Column:
    """Return a column shifted by these logarithms, and its deep ground by kelvin."""
    changed = {name: getattr(before, name) * math.exp(off) for name, off in zip(MAY_BE_OFF, offs, strict=False)}
    return changed_to(before, changed, before.deep_c + float(offs[len(MAY_BE_OFF)]))


def figures_of(column: Column) -> dict[str, float]:
    """Return what may be off of a column, by name."""
    return {name: getattr(column, name) for name in MAY_BE_OFF}


def changed_to(before: Column, figures: Mapping[str, float], deep_c: float) -> Column:
    """Return a column with these figures, all of `MAY_BE_OFF`, and its deep ground at `deep_c` [Cel]."""
    # What an air heater does not give to the air it gives to the floor.
    to_surface = before.to_surface + before.to_air - figures["to_air"]
    return replace(before, **figures, to_surface=to_surface, deep_c=deep_c)


def free_runs(log: Log, before: Column, offs: Array) -> tuple[Array, Array]:
    """Return soil at the probe and air [Cel], step means, as shifted columns alone would have had them.

    Parameters
    ----------
    offs
        A row for each run; rows differ in starts and sky only, for figures make another matrix.
    """
    column = shifted(before, offs[0])
    unit, deep_c = replace(column, deep_c=1.0), before.deep_c + offs[:, len(MAY_BE_OFF)]
    sky_k = column.sky_below_k + _straight(offs[:, len(MAY_BE_OFF) + len(STARTS) :], log)
    told = np.column_stack([log.outside_c, log.light_w_m2, log.duty])

    def pushed(b: Array, c_per_deep_k: Array) -> Array:
        """Return what each row adds, to each store, in each run."""
        return np.asarray(
            (told @ b[:, :SKY].T)[:, :, None] + b[:, SKY, None] * sky_k[:, None] + np.outer(c_per_deep_k, deep_c)
        )

    flows, each_b, each_c = rates(unit)
    step = discrete(flows, each_b, each_c, log.step_s)
    states = chained(step.a, pushed(step.b, step.c), _starts(log, column, deep_c, offs), STORES)
    # What flowed in over a step is what its end has more than its beginning: that gives a step's mean, whatever moved.
    means = np.linalg.inv(flows) @ ((states[1:] - states[:-1]) / log.step_s - pushed(each_b, each_c))
    _, air = surface_and_air(column)
    beside = (air[3] * log.outside_c + air[4] * log.light_w_m2)[:, None] + air[5] * sky_k
    air_c = np.einsum("s,rsn->rn", air[:3], means[:, [0, CONTENTS, HEAT]]) + beside
    return (share_at(column.probe_m) @ means[:, :LAYERS]).T, air_c.T


def _straight(knots_k: Array, log: Log) -> Array:
    """Return each run's value at every step of a log, straight between knots; a column for each run."""
    at = np.arange(len(log)) * log.step_s / SKY_EVERY_S
    knots = np.arange(knots_k.shape[1])
    shares = np.array([np.interp(at, knots, one) for one in np.eye(len(knots))]).T
    return np.asarray(shares @ knots_k.T)


def _starts(log: Log, column: Column, deep_c: Array, offs: Array) -> Array:
    """Return first profiles through the probe's first reading: towards the deep ground, bent above and below."""
    above_k, below_k = offs[:, len(MAY_BE_OFF) + 1], offs[:, len(MAY_BE_OFF) + 2]
    first_c = log.soil_c[np.isfinite(log.soil_c)][0]
    under_m = CENTRE_M - column.probe_m
    profiles_c = first_c + np.outer(under_m / 1.1, deep_c - first_c)
    profiles_c += np.outer(np.exp(-CENTRE_M / 0.1) - math.exp(-column.probe_m / 0.1), above_k)
    profiles_c += np.outer(np.clip(under_m / 0.3, -0.3, 1.0), below_k)
    beside = [[first_c], [column.heater_w * log.duty[0]]]
    return np.vstack([profiles_c, np.repeat(beside, len(offs), axis=1)])
