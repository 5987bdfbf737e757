"""Where the soil's stores stand now, and what the model does not explain: a Kalman filter over the last days.

It starts afresh each time from the record, so it remembers nothing, survives every restart, and cannot drift.
"""

from dataclasses import dataclass

import numpy as np

from controller.control.log import Log
from controller.control.stepping import Array, chained
from controller.planning.linear import Linear, Model, linear

SIX_HOURS_S = 6 * 3600.0


@dataclass(frozen=True, slots=True)
class Estimate:
    """Stores now, [K] how far the model missed the soil six hours ahead over the last day, root mean square, and the
    stores after each row of the log."""

    state: Array
    missed_k: float
    path: Array


def estimate(model: Model, log: Log, floor_m2: float) -> Estimate:
    """Return where everything stands at the end of a log without gaps but in the soil.

    Parameters
    ----------
    floor_m2
        [m2] floor of the enclosure: the unexplained heat varies with it.
    """
    by = linear(model, log.step_s, floor_m2)
    step, gain = by.step, by.gain
    driven = step.driven(np.column_stack([log.outside_c, log.light_w_m2, log.duty]))
    heard = np.isfinite(log.soil_c)
    state = by.begun(float(log.soil_c[np.argmax(heard)]), float(log.duty[0]))
    stood = np.empty((len(log), len(state)))
    # Where the probe speaks, predicting and correcting are one step: x' = (1 - gain seen) (a x + push) + gain soil.
    corrected = step.a - np.outer(gain, by.seen @ step.a)
    pushed = driven - np.where(heard[:, None], np.outer(driven @ by.seen - np.nan_to_num(log.soil_c), gain), 0.0)
    for rows in np.split(np.arange(len(log)), np.flatnonzero(heard[1:] != heard[:-1]) + 1):
        stood[rows] = chained(corrected if heard[rows[0]] else step.a, pushed[rows], state)[1:]
        state = stood[rows[-1]]
    return Estimate(state, _missed_k(by, stood, driven, log.soil_c), stood)


def _missed_k(by: Linear, stood: Array, driven: Array, soil_c: Array) -> float:
    """Run freely from each of the last hours' estimates under what was measured, all at once, and compare."""
    ahead, stride = round(SIX_HOURS_S / by.step.seconds), round(7200.0 / by.step.seconds)
    firsts = np.arange(len(stood) - 1 - ahead, max(len(stood) - 4 * ahead, ahead), -stride)
    states = chained(by.step.a, driven[firsts[:, None] + np.arange(1, ahead + 1)], stood[firsts])[:, -1]
    misses = states @ by.seen - soil_c[firsts + ahead]
    known = misses[np.isfinite(misses)]
    return float(np.sqrt(np.mean(np.square(known)))) if len(known) else 0.0
