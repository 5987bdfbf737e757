"""What a column of layers alone would have done under a log: for every change of its figures, starts and sky."""

import math
from collections.abc import Mapping
from dataclasses import replace
from functools import lru_cache

import numpy as np

from controller.control.log import Log
from controller.control.stepping import Array, chained, discrete
from controller.plant.column import (
    CENTRE_M,
    CONTENTS,
    HEAT,
    LAYERS,
    LIGHT,
    OUTSIDE,
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
        A row for each run.
    """
    columns = [shifted(before, each) for each in offs]
    ways = [_way(replace(each, deep_c=1.0), log.step_s) for each in columns]
    a, b, c, reads, beside, under = (np.stack(each) for each in zip(*ways, strict=True))
    deep_c = np.array([each.deep_c for each in columns])[:, None]
    sky_k = before.sky_below_k + _straight(offs[:, len(MAY_BE_OFF) + len(STARTS) :], log)
    told = np.column_stack([log.outside_c, log.light_w_m2, log.duty])

    def pushed(by: Array, by_deep: Array) -> Array:
        """Return what each row of each run adds."""
        weather = told @ by[..., :SKY].swapaxes(1, 2) + sky_k[..., None] * by[:, None, :, SKY]
        return np.asarray(weather + (by_deep * deep_c)[:, None])

    starts = np.array([_start(log, column, each) for column, each in zip(columns, offs, strict=True)])
    states = chained(a, pushed(b, c), starts)
    means_c = np.diff(states, axis=1) @ reads.swapaxes(1, 2) + pushed(beside, under)
    return means_c[..., 0], means_c[..., 1]


@lru_cache(maxsize=32)
def _way(unit: Column, seconds: float) -> tuple[Array, ...]:
    """Return a column's exact step, a, b and c, and how the means of soil and air over a step follow from what its
    stores gain, from what it is driven by, and from each kelvin of deep ground.

    Notes
    -----
    What flowed in over a step is what its end has more than its beginning: that gives a step's mean, whatever moved.
    """
    flows, each_b, each_c = rates(unit)
    step = discrete(flows, each_b, each_c, seconds)
    _, air = surface_and_air(unit)
    seen, at_once = np.zeros((2, STORES + 1)), np.zeros((2, SKY + 1))
    seen[0, :LAYERS], seen[1, [0, CONTENTS, HEAT]] = share_at(unit.probe_m), air[:3]
    at_once[1, [OUTSIDE, LIGHT, SKY]] = air[3:]
    by_flow = seen @ np.linalg.inv(flows)
    return step.a, step.b, step.c, by_flow / seconds, at_once - by_flow @ each_b, -by_flow @ each_c


def _straight(knots_k: Array, log: Log) -> Array:
    """Return each run's value at every step of a log, straight between knots; a row for each run."""
    at = np.arange(len(log)) * log.step_s / SKY_EVERY_S
    knots = np.arange(knots_k.shape[1])
    shares = np.array([np.interp(at, knots, one) for one in np.eye(len(knots))])
    return np.asarray(knots_k @ shares)


def _start(log: Log, column: Column, offs: Array) -> Array:
    """Return a first profile through the probe's first reading: towards the deep ground, bent above and below."""
    above_k, below_k = offs[len(MAY_BE_OFF) + 1 : len(MAY_BE_OFF) + 3]
    first_c = log.soil_c[np.isfinite(log.soil_c)][0]
    under_m = CENTRE_M - column.probe_m
    profile_c = first_c + under_m / 1.1 * (column.deep_c - first_c)
    profile_c += above_k * (np.exp(-CENTRE_M / 0.1) - math.exp(-column.probe_m / 0.1))
    profile_c += below_k * np.clip(under_m / 0.3, -0.3, 1.0)
    return np.append(profile_c, [first_c, column.heater_w * log.duty[0]])
