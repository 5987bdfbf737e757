"""What the model does not know, by the hour of the day, as the last days show it: sky, vapour, sun on the frame.

A disturbance that only fades has the night begin with the day's sun still in it. These repeat from day to day, so the
same hours of the days behind tell those ahead (a kelvin of the soil's night was halved by it on simulated tunnels).
"""

import numpy as np
from numpy.typing import NDArray

from controller.control.log import Log
from controller.control.stepping import BED, LOWER, STATES, STORES, UPPER, Array, Stepper, chained, pushes, stepper
from controller.control.thermal import ThermalModel

PARTS = 8
"""Of the day, three hours each."""
DAYS_S = 3 * 86_400.0
SPREAD_W_M2, STARTS_OFF_K = 10.0, 3.0
"""[W/m2] and [K] standard deviation of each part, and of the stores above and below at the start (engineering
judgement)."""
SOIL_K = 0.2
"""[K] what is left of the soil's miss at each step; misses last for hours (calibrated on simulated tunnels)."""


def daily_w(model: ThermalModel, log: Log, floor_m2: float) -> Array:
    """Return [W] into the upper store in each part of the day, by which the model would have met the soil best.

    Parameters
    ----------
    log
        Without gaps but in the soil.
    """
    log = log.latest(DAYS_S)
    step, heard = stepper(model, log.step_s), np.isfinite(log.soil_c)
    missed_k = log.soil_c - _freely_c(step, model, log)
    answers = _answers(step, part_of(_middles_ms(log)))
    spread = np.array([SPREAD_W_M2 * floor_m2] * PARTS + [STARTS_OFF_K] * 2)
    weighed = np.vstack([answers[heard] / SOIL_K, np.diag(1.0 / spread)])
    wanted = np.concatenate([missed_k[heard] / SOIL_K, np.zeros(len(spread))])
    return np.asarray(np.linalg.lstsq(weighed, wanted, rcond=None)[0][:PARTS])


def part_of(at_ms: Array) -> NDArray[np.int64]:
    """Return the part of the day, by UTC, of each instant [ms UTC]."""
    return np.asarray((at_ms / 86_400_000.0 % 1.0 * PARTS).astype(np.int64))


def known_behind_w(daily: Array, log: Log) -> Array:
    """Return [W] in every row of a log."""
    return np.asarray(daily[part_of(_middles_ms(log))])


def known_ahead_w(daily: Array, starts_ms: int, step_s: float, steps: int) -> Array:
    """Return [W] in every step from an instant [ms UTC] on."""
    middles_ms = np.asarray(starts_ms + 1000.0 * step_s * (np.arange(steps) + 0.5), dtype=np.float64)
    return np.asarray(daily[part_of(middles_ms)])


def _middles_ms(log: Log) -> Array:
    return np.asarray(log.ends_ms - 1000.0 * log.step_s * (np.arange(len(log))[::-1] + 0.5))


def _freely_c(step: Stepper, model: ThermalModel, log: Log) -> Array:
    """Return the bed [Cel] as the model alone would have had it."""
    start_c = log.soil_c[np.argmax(np.isfinite(log.soil_c))]
    start = np.array([start_c, start_c, start_c, model.heater_w * log.duty[0], 0.0])
    inputs = np.column_stack([log.outside_c, log.light_w_m2, log.duty])
    return _mean_bed(chained(step.a, inputs @ step.b.T + step.c, start, STORES))


def _mean_bed(states: Array) -> Array:
    """Return the bed's mean over each step, as a log has it."""
    return np.asarray((states[1:, BED] + states[:-1, BED]) / 2.0)


def _answers(step: Stepper, parts: NDArray[np.int64]) -> Array:
    """Return the bed's answer [K] to a watt in each part of the day, and to a kelvin in the stores beside it."""
    rows, nothing = len(parts), np.zeros(len(STATES))
    found = [
        _mean_bed(chained(step.a, pushes(step, (parts == part).astype(np.float64)), nothing, STORES))
        for part in range(PARTS)
    ]
    for store in (UPPER, LOWER):
        one = nothing.copy()
        one[store] = 1.0
        found.append(_mean_bed(chained(step.a, np.zeros((rows, len(STATES))), one, STORES)))
    return np.column_stack(found)
