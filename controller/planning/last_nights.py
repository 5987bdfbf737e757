"""What the last nights' soil and air did beyond what the model says of them: sky, wind and wet film, as they are here.

A lesson for foreseeing nights alone: in plans of heat it cost more than it gave (seen in simulation).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import uniform_filter1d

from controller.control.log import Log
from controller.control.model_of import model_of
from controller.control.stepping import HEAT, Array, air_c, through
from controller.control.thermal import ThermalModel
from controller.planning.ahead import Place, clear_w_m2
from controller.planning.estimate import estimate
from controller.planning.linear import Model, linear
from controller.plant import column as layered
from controller.plant.column import Column
from controller.plant.construction import Construction

NIGHTS = 2
HALF_HOUR_S, HOUR_S = 1800.0, 3600.0
GEOMETRY_ROWS, NO_HEAT_ROWS = 1.0, 0.01
"""So many rows of record weigh as much as geometry's word on the heater's warmth, and as "no miss" without heat."""


@dataclass(frozen=True, slots=True)
class LastNights:
    """How the model missed them, on the average.

    Parameters
    ----------
    soil_k
        [K] by which the soil ended the night warmer than the model had it from sunset on; 0 for layers, whose estimate
        has taken in the sky there was: told once more, it made them worse (seen in simulation).
    air_k
        [K] by which the coldest half hour of air was warmer than the model's, once `heat_k` is counted.
    heat_k
        [K] by which full heat warms the air above its balance without heat; 0 for layers, whose balance has it.
    """

    soil_k: float
    air_k: float
    heat_k: float


def last_nights(model: Model, built: Construction, depth_m: float, log: Log, place: Place) -> LastNights:
    """Return what a log without gaps in outside and light tells of its last whole nights; geometry's word without any.

    Notes
    -----
    Air by half hours, as heat is planned; outside by the hour, as forecasts tell it.
    """
    seen, by = estimate(model, log, built.floor_m2), linear(model, log.step_s, built.floor_m2)
    inputs = np.column_stack([_smooth(log.outside_c, log, HOUR_S), log.light_w_m2, log.duty])
    duty, heard_c = _smooth(log.duty, log, HALF_HOUR_S), _smooth(log.air_c, log, HALF_HOUR_S)
    ends_k, misses, balances = [], [], []
    for first, last in whole_nights(log, place)[-NIGHTS:]:
        states = through(by.step, seen.path[first - 1], inputs[first:last])
        ends_k.append(log.soil_c[last - 1] - by.seen @ states[-1])
        balances.append(_smooth(balance_c(model, states, inputs[first:last]), log, HALF_HOUR_S))
        misses.append(np.column_stack([heard_c[first:last] - balances[-1], duty[first:last]]))
    told_before = isinstance(model, Column)
    heat_k = 0.0 if told_before else _heat_k(misses, heated_k(model_of(built, depth_m)))
    coldest_k = [
        np.nanmin(balance + missed[:, 0]) - np.min(balance + heat_k * missed[:, 1])
        for balance, missed in zip(balances, misses, strict=True)
        if np.isfinite(missed[:, 0]).any()
    ]
    return LastNights(0.0 if told_before else _mean(ends_k), _mean(coldest_k), heat_k)


def whole_nights(log: Log, place: Place) -> list[tuple[int, int]]:
    """Return first row and the row after the last of every dark stretch that begins and ends within a log."""
    dark = clear_w_m2(log, place) <= 0.0
    turns = [int(row) + 1 for row in np.flatnonzero(dark[1:] != dark[:-1])]
    if turns and dark[0]:
        turns = turns[1:]
    return list(zip(turns[::2], turns[1::2], strict=False))


def balance_c(model: Model, states: Array, inputs: Array) -> Array:
    """Return the mean air [Cel] of every row of inputs; stores' but for the heat that it gets itself.

    Parameters
    ----------
    states
        At the start and after every row: where heat begins, air at a row's end is far from what it was on the average.

    Notes
    -----
    Stores know no contents that warm up slowly, so how warm heat makes the air is their nights' lesson.
    """
    between = (states[1:] + states[:-1]) / 2.0
    if isinstance(model, Column):
        return layered.air_c(model, between, inputs)
    warmed_k = heated_k(model) * between[:, HEAT] / model.heater_w
    return np.asarray(air_c(model, between.T, inputs.T) - warmed_k)


def heated_k(model: ThermalModel) -> float:
    """[K] by which full heat warms the air in balance."""
    return model.to_air * model.heater_w / (model.loss_w_k + model.exchange_w_k)


def _smooth(values: Array, log: Log, seconds: float) -> Array:
    """Return running means of what is known; the filter's own sums would carry one NaN to the end of the record."""
    known, rows = np.isfinite(values), max(round(seconds / log.step_s), 1)
    share = uniform_filter1d(known.astype(np.float64), rows)
    means = uniform_filter1d(np.where(known, values, 0.0), rows) / np.maximum(share, 0.5)
    return np.where(share > 0.5, means, np.nan)


def _heat_k(misses: list[Array], usual_k: float) -> float:
    """Return the warmth of full heat by least squares on misses beside duty, held by geometry's figure."""
    rows = np.vstack(misses) if misses else np.empty((0, 2))
    rows = rows[np.isfinite(rows[:, 0])]
    if usual_k == 0.0 or not len(rows):
        return usual_k
    told = np.column_stack([np.ones(len(rows)), rows[:, 1]])
    held = np.diag([NO_HEAT_ROWS, GEOMETRY_ROWS])
    found = np.linalg.solve(told.T @ told + held, told.T @ rows[:, 0] + held @ np.array([0.0, usual_k]))
    return float(found[1])


def _mean(values: Sequence[float]) -> float:
    known = [value for value in values if np.isfinite(value)]
    return float(np.mean(known)) if known else 0.0
