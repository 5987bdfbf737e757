"""Where the soil's stores stand now, and what the model does not explain: a Kalman filter over the last days.

It starts afresh each time from the record, so it remembers nothing, survives every restart, and cannot drift.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.linalg import solve_discrete_are

from controller.control.log import Log
from controller.control.stepping import BED, HEAT, LOWER, STATES, UNKNOWN, UPPER, Array, Stepper, stepper
from controller.control.thermal import ThermalModel

PROBE_K = 0.05
"""[K] standard deviation of a soil probe's ten-minute mean about the bed (engineering judgement)."""
UNKNOWN_W_M2 = 0.2
"""[W/m2] standard deviation by which the unexplained heat changes in one step (engineering judgement)."""
SETTLES_S = 2 * 86_400.0
"""[s] of record after which the guess it starts from is forgotten (seen in simulation)."""
SIX_HOURS_S = 6 * 3600.0
_STORE_K = {UPPER: 0.03, BED: 0.01, LOWER: 0.003}


@dataclass(frozen=True, slots=True)
class Estimate:
    """Stores now, [K] how far the model missed the soil six hours ahead over the last day, root mean square, and the
    stores after each row of `log`, the last days."""

    state: Array
    missed_k: float
    path: Array
    log: Log


def estimate(model: ThermalModel, log: Log, floor_m2: float, over_s: float = SETTLES_S) -> Estimate:
    """Return where everything stands at the end of a log without gaps but in the soil.

    Parameters
    ----------
    floor_m2
        [m2] floor of the enclosure: the unexplained heat varies with it.
    over_s
        [s] of record it goes through.
    """
    log = log.latest(over_s)
    step = stepper(model, log.step_s)
    gain = _gain(model, log.step_s, floor_m2 * UNKNOWN_W_M2)
    driven = np.column_stack([log.outside_c, log.light_w_m2, log.duty]) @ step.b.T + step.c
    heard = np.isfinite(log.soil_c)
    start_c = log.soil_c[np.argmax(heard)]
    state = np.array([start_c, start_c, start_c, model.heater_w * log.duty[0], 0.0])
    stood = np.empty((len(log), len(STATES)))
    # Where the probe speaks, predicting and correcting are one step: x' = (1 - gain seen) (a x + push) + gain soil.
    corrected = step.a - np.outer(gain, step.a[BED])
    pushed = driven - np.where(heard[:, None], np.outer(driven[:, BED] - np.nan_to_num(log.soil_c), gain), 0.0)
    for row, push in enumerate(pushed):
        state = (corrected if heard[row] else step.a) @ state + push
        stood[row] = state
    return Estimate(state, _missed_k(step, stood, driven, log.soil_c), stood, log)


def _missed_k(step: Stepper, stood: Array, driven: Array, soil_c: Array) -> float:
    """Run freely from each of the last hours' estimates under what was measured, all at once, and compare."""
    ahead, stride = round(SIX_HOURS_S / step.seconds), round(7200.0 / step.seconds)
    firsts = np.arange(len(stood) - 1 - ahead, max(len(stood) - 4 * ahead, ahead), -stride)
    states = stood[firsts]
    for later in range(1, ahead + 1):
        states = states @ step.a.T + driven[firsts + later]
    misses = states[:, BED] - soil_c[firsts + ahead]
    known = misses[np.isfinite(misses)]
    return float(np.sqrt(np.mean(np.square(known)))) if len(known) else 0.0


@lru_cache(maxsize=8)
def _gain(model: ThermalModel, step_s: float, unknown_w: float) -> Array:
    """Return the steady Kalman gain for the bed's probe."""
    a = stepper(model, step_s).a
    wander = np.zeros(len(STATES))
    for store, kelvin in _STORE_K.items():
        wander[store] = kelvin**2
    wander[UNKNOWN], wander[HEAT] = unknown_w**2, 1e-6
    seen = np.zeros((1, len(STATES)))
    seen[0, BED] = 1.0
    spread = solve_discrete_are(a.T, seen.T, np.diag(wander), np.array([[PROBE_K**2]]))
    return np.asarray(spread @ seen.T / (seen @ spread @ seen.T + PROBE_K**2)).ravel()
