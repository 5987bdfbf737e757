"""A column's figures from days of readings, held by geometry; the unseen sky is fitted along."""

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import uniform_filter1d
from scipy.optimize import least_squares

from controller.control.log import Log
from controller.control.stepping import Array, chained
from controller.plant.column import CENTRE_M, LAYERS, Column, column_of, needed, share_at, stepped, surface_and_air
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
    before, knots = column_of(built, depth_m), math.ceil(len(log) * log.step_s / SKY_EVERY_S) + 1
    spread = np.array([*MAY_BE_OFF.values(), *STARTS.values(), *[SKY_K] * knots])
    soil_w, slow_w, quick_w = _weights(log)

    def misses(scaled: Array) -> Array:
        soil_c, air_c = free_run(log, before, scaled * spread)
        air_k = np.nan_to_num(air_c - log.air_c)
        slow_k = uniform_filter1d(air_k, round(SLOW_S / log.step_s))
        soil_k = np.nan_to_num(soil_c - log.soil_c)
        return np.concatenate([soil_k * soil_w, slow_k * slow_w, (air_k - slow_k) * quick_w, scaled])

    fit = least_squares(misses, np.zeros(len(spread)), max_nfev=20)
    offs, slopes = np.asarray(fit.x) * spread, np.asarray(fit.jac)
    covariance = spread[:, None] * np.linalg.inv(slopes.T @ slopes) * spread
    soil_c, air_c = free_run(log, before, offs)
    return Found(
        shifted(before, offs),
        _figures(before, offs, covariance),
        _rms(soil_c - log.soil_c),
        _rms(air_c - log.air_c),
        soil_c,
        air_c,
    )


def shifted(before: Column, offs: Array) -> Column:
    """Return a column shifted by these logarithms, and its deep ground by kelvin."""
    changed = {name: getattr(before, name) * math.exp(off) for name, off in zip(MAY_BE_OFF, offs, strict=False)}
    return replace(before, **changed, deep_c=before.deep_c + float(offs[len(MAY_BE_OFF)]))


def free_run(log: Log, before: Column, offs: Array) -> tuple[Array, Array]:
    """Return soil at the probe and air [Cel], step means, as the shifted column alone would have had them."""
    column = shifted(before, offs)
    a, b, c = stepped(column, log.step_s)
    at = np.arange(len(log)) * log.step_s / SKY_EVERY_S
    knots_k = offs[len(MAY_BE_OFF) + len(STARTS) :]
    sky_k = column.sky_below_k + np.interp(at, np.arange(len(knots_k)), knots_k)
    inputs = np.column_stack([log.outside_c, log.light_w_m2, log.duty, sky_k])
    states = chained(a, inputs @ b.T + c, _starts(log, column, offs), LAYERS)
    means = (states[1:] + states[:-1]) / 2.0
    known = np.column_stack([means[:, 0], means[:, LAYERS], log.outside_c, log.light_w_m2, sky_k])
    return means[:, :LAYERS] @ share_at(column.probe_m), known @ surface_and_air(column)[1]


def _starts(log: Log, column: Column, offs: Array) -> Array:
    """Return a first profile through the probe's first reading: towards the deep ground, bent above and below."""
    above_k, below_k = offs[len(MAY_BE_OFF) + 1 : len(MAY_BE_OFF) + 3]
    first_c = log.soil_c[np.isfinite(log.soil_c)][0]
    under_m = CENTRE_M - column.probe_m
    profile_c = first_c + (column.deep_c - first_c) * under_m / 1.1
    profile_c += above_k * (np.exp(-CENTRE_M / 0.1) - math.exp(-column.probe_m / 0.1))
    profile_c += below_k * np.clip(under_m / 0.3, -0.3, 1.0)
    return np.append(profile_c, column.heater_w * log.duty[0])


def _weights(log: Log) -> tuple[Array, Array, Array]:
    dark = log.light_w_m2 < DARK_W_M2
    told = np.where(dark, 1.0 / DARK_AIR_K, 1.0 / LIT_AIR_K) * (np.nan_to_num(log.air_c, nan=99.0) < VENTS_C)
    return np.full(len(log), 1.0 / SOIL_K), told, np.where(dark, 1.0 / PULSED_AIR_K, 0.0)


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
