"""The model as matrices: exact steps of any length, for estimating and for looking ahead."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import expm

from controller.control.thermal import ThermalModel

Array = NDArray[np.float64]

STATES = ("upper_c", "bed_c", "lower_c", "heat_w", "unknown_w")
INPUTS = ("outside_c", "light_w_m2", "duty")
UPPER, BED, LOWER, HEAT, UNKNOWN = range(5)
FORGETS_S = 30 * 86_400.0
"""[s] in which what the model does not know fades out of a forecast: a sky that took heat yesterday takes it tomorrow
(engineering judgement; with a day, soil was foreseen 0.5 K too warm 18 h ahead, seen in simulation)."""


@dataclass(frozen=True, slots=True)
class Stepper:
    """One step: x' = a x + b u + c, with `STATES` and `INPUTS` in that order."""

    seconds: float
    a: Array
    b: Array
    c: Array

    def after(self, state: Array, inputs: Array) -> Array:
        """Return the state a step later under constant inputs."""
        return self.a @ state + self.b @ inputs + self.c

    def driven(self, inputs: Array) -> Array:
        """Return what rows of inputs add to the state, row by row."""
        return np.asarray(inputs @ self.b.T + self.c)


@lru_cache(maxsize=8)
def stepper(model: ThermalModel, seconds: float) -> Stepper:
    """Return the exact discrete form (matrix exponential) for steps of `seconds` [s]."""
    return discrete(*rates(model), seconds)


def discrete(a: Array, b: Array, c: Array, seconds: float) -> Stepper:
    """Return the exact step of change per second a x + b u + c under constant inputs."""
    n, inputs = b.shape
    whole = np.zeros((n + inputs + 1, n + inputs + 1))
    whole[:n, :n], whole[:n, n:-1], whole[:n, -1] = a, b, c
    grown = np.asarray(expm(whole * seconds))
    return Stepper(seconds, grown[:n, :n], grown[:n, n:-1], grown[:n, -1])


def through(step: Stepper, state: Array, inputs: Array) -> Array:
    """Return the state at the start and after every row of inputs."""
    return chained(step.a, step.driven(inputs), state)


def chained(a: Array, driven: Array, start: Array) -> Array:
    """Return the start and what x' = a x + driven makes of it, row by row, without a loop over rows.

    Parameters
    ----------
    a
        One matrix for all runs, or one for each.
    driven, start
        Rows of states, and the states before the first; both may hold many runs, by axes before these.

    Notes
    -----
    After each turn a row holds what the 1, 2, 4 ... rows up to it have made: so many rows of steps are but nine turns.
    """
    states = np.concatenate([start[..., None, :], driven], axis=-2)
    onward, far = np.swapaxes(a, -1, -2), 1
    while far < states.shape[-2]:
        states[..., far:, :] += states[..., :-far, :] @ onward
        onward, far = onward @ onward, 2 * far
    return states


def rates(model: ThermalModel) -> tuple[Array, Array, Array]:
    """Return the continuous form: change per second is a x + b u + c; the air, in balance, is eliminated."""
    m, n = model, len(STATES)
    a, b, c = np.zeros((n, n)), np.zeros((n, len(INPUTS))), np.zeros(n)
    total = m.loss_w_k + m.exchange_w_k
    up, into_soil = m.exchange_w_k * m.loss_w_k / total, m.exchange_w_k / total
    a[UPPER, UPPER], a[UPPER, BED] = -(up + m.upper_bed_w_k), m.upper_bed_w_k
    a[UPPER, HEAT], a[UPPER, UNKNOWN] = m.to_upper + m.to_air * into_soil, 1.0
    b[UPPER] = up, m.soil_sun_m2 + m.air_sun_m2 * into_soil, 0.0
    a[BED, UPPER], a[BED, LOWER], a[BED, HEAT] = m.upper_bed_w_k, m.bed_lower_w_k, m.to_bed
    a[BED, BED] = -(m.upper_bed_w_k + m.bed_lower_w_k)
    a[LOWER, BED], a[LOWER, LOWER] = m.bed_lower_w_k, -(m.bed_lower_w_k + m.lower_deep_w_k)
    c[LOWER] = m.lower_deep_w_k * m.deep_c
    for store, capacity_j_k in ((UPPER, m.upper_j_k), (BED, m.bed_j_k), (LOWER, m.lower_j_k)):
        a[store], b[store], c[store] = a[store] / capacity_j_k, b[store] / capacity_j_k, c[store] / capacity_j_k
    a[HEAT, HEAT], b[HEAT, 2] = -1.0 / m.lag_s, m.heater_w / m.lag_s
    a[UNKNOWN, UNKNOWN] = -1.0 / FORGETS_S
    return a, b, c


def air_c(model: ThermalModel, state: Array, inputs: Array) -> Array:
    """Return the air [Cel] that balances a state and its inputs, or each of many, which stand side by side."""
    m = model
    gains_w = m.loss_w_k * inputs[0] + m.exchange_w_k * state[UPPER] + m.air_sun_m2 * inputs[1] + m.to_air * state[HEAT]
    return np.asarray(gains_w / (m.loss_w_k + m.exchange_w_k))


def rise_k(model: ThermalModel, seconds: float, steps: int) -> Array:
    """Return [K] that the bed stands higher after each of `steps`, when the heater ran fully during the first alone."""
    one = stepper(model, seconds)
    state, rise = one.b[:, 2].copy(), np.empty(steps)
    for step in range(steps):
        rise[step] = state[BED]
        state = one.a @ state
    return rise
