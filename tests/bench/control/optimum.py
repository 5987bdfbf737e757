"""The least energy that perfect foresight needs for a given shortfall: a linear programme, exact for a linear plant.

The network of stores is symmetric, so it falls apart into independent modes: they give the impulse response exactly,
and a second form of the same programme to check the first with.
"""

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from scipy.linalg import eigh, toeplitz
from scipy.optimize import linprog
from scipy.sparse import block_array, csr_array, eye_array, kron

from tests.bench.control.lab_plant import CORE, ONE, POWER, Array, Linear
from tests.bench.control.weather import JUDGED_DAYS, RUN_OUT_DAYS, STEP_S, WARM_UP_DAYS

HALF_S = 1800.0
HALVES_A_DAY = 48
JUDGED = JUDGED_DAYS * HALVES_A_DAY
STEPS = (JUDGED_DAYS + RUN_OUT_DAYS) * HALVES_A_DAY
TOLERATED_K = 0.5
HALF_H = 0.5
PAUSES = 60.0 / (1800.0 + 60.0)
"""Part of the time that long heat pauses: a minute after each half hour. Source: hazard N09, restated."""
Method = Literal["highs-ds", "highs-ipm"]


@dataclass(frozen=True, slots=True)
class Problem:
    """What the optimum is asked: soil [Cel] at every half hour's end with the heater off, and what one half hour adds.

    Parameters
    ----------
    free_c, rise_k
        `STEPS` long; `rise_k` after a half hour of full heat and the half hours after it.
    rates, weights
        The same response as modes: after k half hours it is the sum of weights times rates to the k.
    kwh
        [kWh] of one half hour at full power.
    asked_c
        [Cel] below which soil is cold: set point less what is tolerated.
    """

    free_c: Array
    rise_k: Array
    rates: Array
    weights: Array
    kwh: float
    asked_c: float

    def slow_modes(self) -> tuple[Array, Array, float]:
        """Return the rates and weights of modes that outlast a half hour, and what all others add within it."""
        slow = self.rates > 1e-4
        return self.rates[slow], self.weights[slow], float(self.weights[~slow].sum())


@dataclass(frozen=True, slots=True)
class Found:
    """Duty per half hour, and over the judged days its shortfall [K h] and energy [kWh]; the run-out's shortfall."""

    duty: Array
    d_kh: float
    run_out_kh: float
    kwh: float


def problem(linear: Linear, state: Array, rows: Array) -> Problem:
    """Return the problem from a state at the end of the warm-up on; `rows` is the weather from the very start."""
    after = round(WARM_UP_DAYS * 86_400 / STEP_S)
    a, b = linear.steps(STEP_S)
    pushed = rows[after:] @ b[:, :POWER].T + b[:, ONE]
    per_half = round(HALF_S / STEP_S)
    free_c = []
    for number, push in enumerate(pushed, 1):
        state = a @ state + push
        if number % per_half == 0:
            free_c.append(float(linear.true_row @ state))
    rates, weights = _modes(linear)
    built = linear.built
    rise_k = np.array([weights @ rates**k for k in range(STEPS)])
    kwh = built.rated_w * HALF_S / 3.6e6
    return Problem(np.array(free_c[:STEPS]), rise_k, rates, weights, kwh, built.set_point_c - TOLERATED_K)


def _modes(linear: Linear) -> tuple[Array, Array]:
    """Return decay per half hour of every mode, and its weight in the soil for a half hour of full power."""
    root = np.sqrt(linear.holds_j_k[:CORE])
    speeds, shapes = eigh(linear.a[:CORE, :CORE] * root[:, None] / root[None, :])
    pushed = linear.b[:CORE, POWER] * linear.built.rated_w * root
    held = np.expm1(speeds * HALF_S) / speeds
    return np.exp(speeds * HALF_S), (linear.true_row[:CORE] / root @ shapes) * (shapes.T @ pushed) * held


def begun_at(linear: Linear, ask: Problem, warmer: Array) -> Problem:
    """Return the same problem with stores so much warmer [K] at its start."""
    a, _ = linear.steps(HALF_S)
    free_c = ask.free_c.copy()
    for half in range(STEPS):
        warmer = a @ warmer
        free_c[half] += linear.true_row @ warmer
    return replace(ask, free_c=free_c)


def with_pauses(ask: Problem) -> Problem:
    """Return the same problem for a heater that pauses as N09 has it, so that full heat is that much less.

    The first half hour of each run could be whole; it is counted as if it paused too.
    """
    share = 1.0 - PAUSES
    return replace(ask, rise_k=share * ask.rise_k, weights=share * ask.weights, kwh=share * ask.kwh)


def shortfalls(ask: Problem, duty: Array) -> tuple[float, float]:
    """Return K h of judged days and run-out for a duty per half hour."""
    soil_c = ask.free_c + np.convolve(ask.rise_k, duty)[:STEPS]
    cold = np.maximum(ask.asked_c - soil_c, 0.0) * HALF_H
    return float(cold[:JUDGED].sum()), float(cold[JUDGED:].sum())


def found(ask: Problem, duty: Array) -> Found:
    """Return a duty with its figures."""
    return Found(duty, *shortfalls(ask, duty), kwh=float(duty[:JUDGED].sum()) * ask.kwh)


def least_shortfall(ask: Problem) -> Found:
    """Return what full heat all the time would give: nothing can be warmer."""
    return found(ask, np.ones(STEPS))


def optimum(ask: Problem, d_kh: float, run_out_kh: float, method: Method = "highs-ds") -> Found:
    """Return the least energy whose shortfall is at most `d_kh`, and after the judged days at most `run_out_kh`."""
    steps = STEPS
    lift = toeplitz(ask.rise_k, np.zeros(steps))
    sums = np.zeros((2, 2 * steps))
    sums[0, steps : steps + JUDGED], sums[1, steps + JUDGED :] = HALF_H, HALF_H
    solved = linprog(
        np.concatenate([np.ones(steps), np.zeros(steps)]),
        A_ub=np.vstack([np.hstack([-lift, -np.eye(steps)]), sums]),
        b_ub=np.concatenate([ask.free_c - ask.asked_c, [d_kh, run_out_kh]]),
        bounds=[(0.0, 1.0)] * steps + [(0.0, None)] * steps,
        method=method,
        options={"presolve": False},  # half the time: there is little to take away
    )
    return _checked(ask, solved)


def optimum_by_modes(ask: Problem, d_kh: float, run_out_kh: float, method: Method = "highs-ipm") -> Found:
    """Return the same from the modes, one equation each and half hour, by another solver: a check on the other."""
    rates, weights, at_once = ask.slow_modes()
    steps, modes = STEPS, len(rates)
    one, back = eye_array(steps), eye_array(steps, k=-1)
    moved = kron(back, np.diag(rates)) - eye_array(steps * modes)
    driven = kron(one, np.ones((modes, 1)))
    read = kron(one, weights[None, :])
    equal = block_array([[driven, moved, csr_array((steps * modes, steps))]], format="csr")
    cold = block_array([[-at_once * one, -read, -one]], format="csr")
    sums = np.zeros((2, steps * (modes + 2)))
    sums[0, -steps : -steps + JUDGED], sums[1, -steps + JUDGED :] = HALF_H, HALF_H
    cost = np.concatenate([np.ones(steps), np.zeros(steps * (modes + 1))])
    solved = linprog(  # type: ignore[call-overload]  # the stubs know no sparse arrays
        cost,
        A_ub=block_array([[cold], [csr_array(sums)]], format="csr"),
        b_ub=np.concatenate([ask.free_c - ask.asked_c, [d_kh, run_out_kh]]),
        A_eq=equal,
        b_eq=np.zeros(steps * modes),
        bounds=[(0.0, 1.0)] * steps + [(None, None)] * (steps * modes) + [(0.0, None)] * steps,
        method=method,
    )
    return _checked(ask, solved)


def _checked(ask: Problem, solved: object) -> Found:
    x = getattr(solved, "x", None)
    if x is None:
        raise ArithmeticError(f"no optimum: {getattr(solved, 'message', '')}")
    return found(ask, np.clip(np.asarray(x)[:STEPS], 0.0, 1.0))
