"""A column's figures from days of readings, held by geometry; the unseen sky is fitted along."""

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import uniform_filter1d
from scipy.optimize import least_squares

from controller.control.log import Log
from controller.control.stepping import Array, chained
from controller.plant.column import CENTRE_M, LAYERS, SKY, Column, column_of, needed, share_at, stepped, surface_and_air
from controller.plant.construction import Construction
from controller.plant.identify import NINETY, Interval, NotExcitedError, lacking

MAY_BE_OFF: dict[str, float] = {
    "loss_w_k": 0.25,
    "exchange_w_k": 0.3,
    "sky_w_k": 0.3,
    "soil_w_m_k": 0.35,
    "soil_j_m_k": 0.2,
    "edge_w_m_k": 0.5,
    "air_sun_m2": 0.5,
    "soil_sun_m2": 0.4,
    "lag_s": 0.5,
    "probe_m": 0.12,
    "cable_m": 0.12,
    "heater_w": 0.02,
}
"""Standard deviation of the logarithm, geometry against truth (engineering judgement)."""
STARTS = {"deep_c": 3.0, "surface_c": 3.0, "below_c": 3.0}
"""[K] how far deep ground, and the soil above and below the probe at the start, may be off."""
SKY_K, SKY_EVERY_S = 6.0, 6 * 3600.0
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
    fit = least_squares(asks.missed, np.zeros(len(spread)), asks.slopes, ftol=ENOUGH, max_nfev=20)
    offs, at_best = np.asarray(fit.x) * spread, np.asarray(fit.jac)
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

    def missed(self, scaled: Array) -> Array:
        """Return what changes, as parts of their spreads, miss, and the changes themselves."""
        (only,) = self._missed_each(scaled[None])
        return np.asarray(only)

    def slopes(self, scaled: Array) -> Array:
        """Forward differences: of each figure in a run of its own; of starts and sky, which only add, all in one."""
        figures, nudge = len(MAY_BE_OFF), np.eye(len(scaled))
        adding = self._missed_each(scaled + np.vstack([np.zeros(len(scaled)), nudge[figures:]]))
        parts = [(self.missed(scaled + TINY * each) - adding[0]) / TINY for each in nudge[:figures]]
        return np.vstack([*parts, adding[1:] - adding[0]]).T

    def _missed_each(self, scaled: Array) -> Array:
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


def shifted(before: Column, offs: Array) -> Column:
    """Return a column shifted by these logarithms, and its deep ground by kelvin."""
    changed = {name: getattr(before, name) * math.exp(off) for name, off in zip(MAY_BE_OFF, offs, strict=False)}
    return replace(before, **changed, deep_c=before.deep_c + float(offs[len(MAY_BE_OFF)]))


def free_runs(log: Log, before: Column, offs: Array) -> tuple[Array, Array]:
    """Return soil at the probe and air [Cel], step means, as shifted columns alone would have had them.

    Parameters
    ----------
    offs
        A row for each run; rows differ in starts and sky only, for figures make another matrix.
    """
    column = shifted(before, offs[0])
    a, b, c_per_deep_k = stepped(replace(column, deep_c=1.0), log.step_s)
    deep_c = before.deep_c + offs[:, len(MAY_BE_OFF)]
    sky_k = column.sky_below_k + _straight(offs[:, len(MAY_BE_OFF) + len(STARTS) :], log)
    shared = np.column_stack([log.outside_c, log.light_w_m2, log.duty]) @ b[:, :SKY].T
    driven = shared[:, :, None] + b[:, SKY, None] * sky_k[:, None] + c_per_deep_k[:, None] * deep_c
    states = chained(a, driven, _starts(log, column, deep_c, offs), LAYERS)
    means = (states[1:] + states[:-1]) / 2.0
    top, heat, outside, light, sky = surface_and_air(column)[1]
    told = outside * log.outside_c + light * log.light_w_m2
    air_c = top * means[:, 0] + heat * means[:, LAYERS] + told[:, None] + sky * sky_k
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
    return np.vstack([profiles_c, np.full(len(offs), column.heater_w * log.duty[0])])


def _figures(before: Column, offs: Array, covariance: Array) -> dict[str, Interval]:
    """Return every figure with its interval, and what control needs, by the slopes of each in each."""
    column = shifted(before, offs)
    values = {name: getattr(column, name) for name in MAY_BE_OFF}
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
