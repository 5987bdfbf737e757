"""A column's figures from days of readings, held by geometry; the unseen sky is fitted along."""

import math
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import uniform_filter1d

from controller.control.log import Log
from controller.control.stepping import Array
from controller.plant.column import Column, column_of, needed
from controller.plant.column_run import MAY_BE_OFF, SKY_EVERY_S, STARTS, figures_of, free_runs, shifted
from controller.plant.construction import Construction
from controller.plant.fitting import fitted
from controller.plant.identify import NINETY, Interval, NotExcitedError, lacking

SKY_K = 6.0
SOIL_K, DARK_AIR_K, LIT_AIR_K, PULSED_AIR_K = 0.3, 3.0, 12.0, 3.0
"""[K] what the model misses at each ten-minute step; misses last for hours, so each of many steps counts for little."""
SLOW_S = 19 * 600.0
"""[s] Slower misses of the air are weather's; quicker ones tell what a pulse of the heater does."""
DARK_W_M2, VENTS_C = 20.0, 24.5
"""Above this air [Cel] vents open, and the air says nothing of the loss."""
TINY = 1e-6
"""Part of its spread by which a figure is nudged to see its slope."""
ENOUGH = 1e-4
"""Part of the misses below which a better fit is not looked for: it would move no figure by a hundredth."""
WIDEN = 2.0
"""Intervals are so much wider than least squares has it: misses are not chance (calibrated on simulated enclosures)."""


@dataclass(frozen=True, slots=True)
class Found:
    """A column, intervals of its figures and of what control needs, how well it fits [K, root mean square], what soil
    and air [Cel] would have been by it alone."""

    column: Column
    figures: dict[str, Interval]
    soil_misfit_k: float
    air_misfit_k: float
    soil_c: Array
    air_c: Array


def column_from(log: Log, built: Construction, depth_m: float) -> Found:
    """Find the figures that explain a log with light best, held by what an enclosure is built of.

    Raises
    ------
    NotExcitedError
        If the log is too short, or nothing in it moved.
    """
    missing = lacking(log)
    if missing:
        raise NotExcitedError(missing)
    asks = _asks(log, column_of(built, depth_m))
    spread = asks.spread
    scaled, at_best = fitted(asks.missed_each, len(spread), asks.nudges, ENOUGH)
    offs = scaled * spread
    covariance = spread[:, None] * np.linalg.inv(at_best.T @ at_best) * spread
    (soil_c,), (air_c,) = free_runs(log, asks.before, offs[None])
    return Found(
        shifted(asks.before, offs),
        _figures(asks.before, offs, covariance),
        _rms(soil_c - log.soil_c),
        _rms(air_c - log.air_c),
        soil_c,
        air_c,
    )


@dataclass(frozen=True, slots=True)
class _Asks:
    """What least squares is asked: a log, the column that holds the figures, how far each may be off, and weights of
    the soil, of the air's slow misses and of its quick ones."""

    log: Log
    before: Column
    spread: Array
    soil_w: Array
    slow_w: Array
    quick_w: Array

    def nudges(self, scaled: Array) -> Array:
        """Return how far to nudge each change: starts and sky, which only add, so far that no digits are lost."""
        return np.where(np.arange(len(scaled)) < len(MAY_BE_OFF), TINY, 1.0)

    def missed_each(self, scaled: Array) -> Array:
        """Return what each row of changes, as parts of their spreads, misses, and the changes themselves."""
        soil_c, air_c = free_runs(self.log, self.before, scaled * self.spread)
        air_k = np.nan_to_num(air_c - self.log.air_c)
        slow_k = uniform_filter1d(air_k, round(SLOW_S / self.log.step_s), axis=1)
        soil_k = np.nan_to_num(soil_c - self.log.soil_c)
        return np.hstack([soil_k * self.soil_w, slow_k * self.slow_w, (air_k - slow_k) * self.quick_w, scaled])


def _asks(log: Log, before: Column) -> _Asks:
    knots = math.ceil(len(log) * log.step_s / SKY_EVERY_S) + 1
    spread = np.array([*MAY_BE_OFF.values(), *STARTS.values(), *[SKY_K] * knots])
    dark = log.light_w_m2 < DARK_W_M2
    told = np.where(dark, 1.0 / DARK_AIR_K, 1.0 / LIT_AIR_K) * (np.nan_to_num(log.air_c, nan=99.0) < VENTS_C)
    return _Asks(log, before, spread, np.full(len(log), 1.0 / SOIL_K), told, np.where(dark, 1.0 / PULSED_AIR_K, 0.0))


def _figures(before: Column, offs: Array, covariance: Array) -> dict[str, Interval]:
    """Return every figure with its interval, and what control needs, by the slopes of each in each."""
    column = shifted(before, offs)
    values = figures_of(column)
    slopes = {name: np.eye(len(offs))[place] for place, name in enumerate(MAY_BE_OFF)}
    at = needed(column)
    for place in range(len(MAY_BE_OFF)):
        nudged = offs.copy()
        nudged[place] += 1e-3
        for name, value in needed(shifted(before, nudged)).items():
            slopes.setdefault(name, np.zeros(len(offs)))[place] = math.log(value / at[name]) / 1e-3
    return {name: _around(value, slopes[name], covariance) for name, value in (values | at).items()}


def _around(value: float, slope: Array, covariance: Array) -> Interval:
    wide = WIDEN * NINETY * math.sqrt(float(slope @ covariance @ slope))
    return Interval(value, value * math.exp(-wide), value * math.exp(wide))


def _rms(values: Array) -> float:
    return float(np.sqrt(np.nanmean(np.square(values))))
