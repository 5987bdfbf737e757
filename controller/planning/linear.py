"""What estimating and looking ahead need of a model, be it three stores or a column of layers: matrices and noise."""

from dataclasses import dataclass
from functools import lru_cache
from typing import TypeAlias

import numpy as np
from scipy.linalg import solve_discrete_are

from controller.control import stepping
from controller.control.stepping import BED, FORGETS_S, LOWER, UPPER, Array, Stepper
from controller.control.thermal import ThermalModel
from controller.plant import column as layered
from controller.plant.column import CENTRE_M, LAYERS, SKY, THICK_M, Column, share_at

Model: TypeAlias = ThermalModel | Column
PROBE_K = 0.05
"""[K] standard deviation of a soil probe's ten-minute mean about the bed (engineering judgement)."""
UNKNOWN_W_M2 = 0.2
"""[W/m2] standard deviation by which the unexplained heat changes in ten minutes (engineering judgement)."""
CONTENTS_K, DEEP_K, SURFACE_K, FADES_M = 0.1, 0.003, 0.03, 0.1
"""[K] the same of plants and frame, of soil far down and of soil near the surface, which fades over so many metres."""
HEAT_W = 1e-3


@dataclass(frozen=True, slots=True)
class Linear:
    """Steps of one length; states are stores in a chain, then heat [W], then unexplained heat [W] at the surface.

    Parameters
    ----------
    to_air
        Part of the heat that goes into the air.
    seen
        Row that reads the soil at the control probe.
    gain
        Steady Kalman gain of that probe.
    """

    step: Stepper
    stores: int
    heater_w: float
    to_air: float
    seen: Array
    gain: Array

    def begun(self, soil_c: float, duty: float) -> Array:
        """Return the states when all soil is as warm as the probe and nothing is unexplained."""
        return np.array([soil_c] * self.stores + [self.heater_w * duty, 0.0])

    def through(self, state: Array, inputs: Array) -> Array:
        """Return the soil at the probe [Cel] at the start and after every row of outside, light and duty."""
        return np.asarray(stepping.through(self.step, state, inputs) @ self.seen)

    def rise_k(self, steps: int) -> Array:
        """Return [K] by which the soil stands higher after each of `steps`, by full heat in the first alone."""
        driven = np.zeros((steps, len(self.seen)))
        driven[0] = self.step.b[:, 2]
        return np.asarray(stepping.chained(self.step.a, driven, np.zeros(len(self.seen)))[1:] @ self.seen)

    def hold_per_k(self) -> float:
        """[1/K] Return the duty that holds the soil a kelvin warmer for ever."""
        known = slice(0, self.stores + 1)
        at_rest = np.linalg.solve(np.eye(self.stores + 1) - self.step.a[known, known], self.step.b[known, 2])
        return 1.0 / float(self.seen[known] @ at_rest)


@lru_cache(maxsize=16)
def linear(model: Model, seconds: float, floor_m2: float) -> Linear:
    """Return a model as steps of `seconds` [s]; the unexplained heat varies with the floor."""
    step, stores, seen, wander_k = (
        _of_stores(model, seconds) if isinstance(model, ThermalModel) else _of_column(model, seconds)
    )
    noise = np.diag(np.square(np.array([*wander_k, HEAT_W, floor_m2 * UNKNOWN_W_M2])))
    spread = solve_discrete_are(step.a.T, seen[:, None], noise, np.array([[PROBE_K**2]]))
    gain = spread @ seen / (seen @ spread @ seen + PROBE_K**2)
    return Linear(step, stores, model.heater_w, model.to_air, seen, gain)


def _of_stores(model: ThermalModel, seconds: float) -> tuple[Stepper, int, Array, list[float]]:
    wander_k = {UPPER: 0.03, BED: 0.01, LOWER: 0.003}
    return stepping.stepper(model, seconds), len(wander_k), np.eye(len(stepping.STATES))[BED], list(wander_k.values())


def _of_column(column: Column, seconds: float) -> tuple[Stepper, int, Array, list[float]]:
    """The sky counts as its usual self; what it is more or less is part of the unexplained heat."""
    a, b, c = layered.rates(column)
    whole = np.zeros((len(a) + 1, len(a) + 1))
    whole[:-1, :-1], whole[0, -1], whole[-1, -1] = a, 1.0 / (column.soil_j_m_k * THICK_M[0]), -1.0 / FORGETS_S
    step = stepping.discrete(
        whole, np.vstack([b[:, :SKY], np.zeros(SKY)]), np.append(c + b[:, SKY] * column.sky_below_k, 0.0), seconds
    )
    seen = np.append(share_at(column.probe_m), np.zeros(len(whole) - LAYERS))
    wander_k = DEEP_K + (SURFACE_K - DEEP_K) * np.exp(-CENTRE_M / FADES_M)
    return step, layered.STORES, seen, [*wander_k, CONTENTS_K]
