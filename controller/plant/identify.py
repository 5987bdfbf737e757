"""An enclosure's model from days of its own readings: least squares on all that was measured, held by its geometry.

Every figure comes with an interval. What passive days cannot tell apart (above all how much of the loss is cover, how
much soil) keeps the width that geometry gave it.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from controller.control.log import Log
from controller.control.stepping import BED, HEAT, LOWER, STATES, UPPER, Array, chained, rise_k, stepper
from controller.control.thermal import ThermalModel
from controller.control.tuned import forward_of
from controller.plant.fitting import fitted
from controller.units import percent

FREE: dict[str, float] = {
    "loss_w_k": 0.3,
    "exchange_w_k": 0.3,
    "upper_j_k": 0.3,
    "bed_j_k": 0.3,
    "lower_j_k": 0.4,
    "upper_bed_w_k": 0.3,
    "bed_lower_w_k": 0.4,
    "lower_deep_w_k": 0.5,
    "air_sun_m2": 0.5,
    "soil_sun_m2": 0.5,
    "lag_s": 0.4,
}
"""What is learnt, and how far geometry may be off: standard deviation of the logarithm (engineering judgement)."""
Relit = Callable[[ThermalModel], Log]
STARTS_OFF_K, DEEP_OFF_K = 3.0, 2.0
SOIL_K, AIR_K = 0.9, 9.0
"""[K] what a model of three stores misses at each ten-minute step. Misses last for hours, so each of the hundreds of
steps counts for little; calibrated on simulated constructions."""
LEAST_H = 48.0
LEAST_OUTSIDE_K = 4.0
LEAST_SOIL_K = 0.5
NINETY = 1.645
"""Standard deviations to either side that hold 90 %."""


class NotExcitedError(ValueError):
    """The readings do not tell enough; `missing` says what would."""

    def __init__(self, missing: tuple[str, ...]) -> None:
        super().__init__("the readings do not show enough: " + "; ".join(missing))
        self.missing = missing


@dataclass(frozen=True, slots=True)
class Interval:
    """A figure with the bounds that should hold the truth nine times in ten."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Identified:
    """A model found, intervals of its figures and of what control needs, how well it fits [K, root mean square], and
    soil and air [Cel] as it alone would have had them."""

    model: ThermalModel
    figures: dict[str, Interval]
    soil_misfit_k: float
    air_misfit_k: float
    soil_c: Array
    air_c: Array


def identify(log: Log, before: ThermalModel, relit: Relit | None = None) -> Identified:
    """Find the model that explains a log best, starting from and held by the one before.

    Parameters
    ----------
    log
        Three days or so, with light.
    relit
        Gives the log as another model would see it, where the model itself stands in for a light probe.

    Raises
    ------
    NotExcitedError
        If the log is too short, or nothing in it moved.
    """
    missing = lacking(log)
    if missing:
        raise NotExcitedError(missing)
    spread = np.array([*FREE.values(), STARTS_OFF_K, STARTS_OFF_K, DEEP_OFF_K])

    scaled, at_best = fitted(lambda each: _misses(log, before, relit, spread, each), len(spread))
    offs = scaled * spread
    covariance = spread[:, None] * np.linalg.inv(at_best.T @ at_best) * spread
    model = moved(before, offs)
    soil_c, air_c = _free_runs([log if relit is None else relit(model)], [model], offs[None])
    return Identified(
        model,
        _figures(before, offs, covariance),
        _rms(soil_c[0] - log.soil_c),
        _rms(air_c[0] - log.air_c),
        soil_c[0],
        air_c[0],
    )


def lacking(log: Log) -> tuple[str, ...]:
    """Return in words what a log lacks; nothing if it can be learnt from."""
    hours, reasons = len(log) * log.step_s / 3600.0, []
    if hours < LEAST_H:
        reasons.append(f"{hours:.0f} h of readings; {LEAST_H:.0f} h are needed")
    for name, values in (("soil", log.soil_c), ("air", log.air_c), ("outside", log.outside_c)):
        heard = float(np.isfinite(values).mean()) if len(log) else 0.0
        if heard < 0.7:
            reasons.append(f"{name} readings for {percent(heard)} of the time; 70 % are needed")
    if not reasons:
        outside_k, soil_k = float(np.ptp(_heard(log.outside_c))), float(np.ptp(_heard(log.soil_c)))
        if outside_k < LEAST_OUTSIDE_K:
            reasons.append(f"outside moved by {outside_k:.1f} K; {LEAST_OUTSIDE_K:.0f} K are needed")
        if soil_k < LEAST_SOIL_K:
            reasons.append(
                f"the soil moved by {soil_k:.1f} K; {LEAST_SOIL_K:.1f} K are needed: let it heat and cool once"
            )
    return tuple(reasons)


def moved(before: ThermalModel, offs: Array) -> ThermalModel:
    """Return a model moved by these logarithms, and its deep ground by kelvin."""
    changed = {name: getattr(before, name) * math.exp(off) for name, off in zip(FREE, offs, strict=False)}
    return replace(before, **changed, deep_c=before.deep_c + float(offs[-1]))


def _misses(log: Log, before: ThermalModel, relit: Relit | None, spread: Array, scaled: Array) -> Array:
    """Return what each row of scaled changes misses, and the changes themselves."""
    models = [moved(before, each * spread) for each in scaled]
    soil_c, air_c = _free_runs([log if relit is None else relit(model) for model in models], models, scaled * spread)
    missed = np.hstack([(soil_c - log.soil_c) / SOIL_K, (air_c - log.air_c) / AIR_K])
    return np.hstack([np.nan_to_num(missed), scaled])


def _free_runs(logs: list[Log], models: list[ThermalModel], offs: Array) -> tuple[Array, Array]:
    """Return soil and air [Cel] as each model alone would have had them, a row for each; all walk together."""
    steps = [stepper(model, log.step_s) for model, log in zip(models, logs, strict=True)]
    inputs = [np.column_stack([log.outside_c, log.light_w_m2, log.duty]) for log in logs]
    driven = np.stack([step.driven(each) for step, each in zip(steps, inputs, strict=True)])
    a, start_c = np.stack([step.a for step in steps]), _heard(logs[0].soil_c)[0]
    state = np.zeros((len(models), len(STATES)))
    state[:, UPPER], state[:, BED], state[:, LOWER] = start_c + offs[:, -3], start_c, start_c + offs[:, -2]
    state[:, HEAT] = [model.heater_w * log.duty[0] for model, log in zip(models, logs, strict=True)]
    states = chained(a, driven, state)[:, :-1]
    air_c = [_air_c(model, log, run) for model, log, run in zip(models, logs, states, strict=True)]
    return states[..., BED], np.array(air_c)


def _air_c(model: ThermalModel, log: Log, states: Array) -> Array:
    """Return the air [Cel] that balances each step's stores and weather."""
    gains_w = (
        model.loss_w_k * log.outside_c
        + model.exchange_w_k * states[:, UPPER]
        + model.air_sun_m2 * log.light_w_m2
        + model.to_air * states[:, HEAT]
    )
    return np.asarray(gains_w / (model.loss_w_k + model.exchange_w_k))


def _figures(before: ThermalModel, offs: Array, covariance: Array) -> dict[str, Interval]:
    """Return every figure with its interval, and what control needs, by the slopes of each in each."""
    figures = {}
    for place, name in enumerate(FREE):
        value, wide = getattr(before, name) * math.exp(offs[place]), NINETY * math.sqrt(covariance[place, place])
        figures[name] = Interval(value, value * math.exp(-wide), value * math.exp(wide))
    at, slopes = _needed(moved(before, offs)), dict[str, Array]()
    for place in range(len(offs)):
        nudged = offs.copy()
        nudged[place] += 1e-3
        for name, value in _needed(moved(before, nudged)).items():
            slopes.setdefault(name, np.zeros(len(offs)))[place] = (math.log(value) - math.log(at[name])) / 1e-3
    for name, value in at.items():
        wide = NINETY * math.sqrt(float(slopes[name] @ covariance @ slopes[name]))
        figures[name] = Interval(value, value * math.exp(-wide), value * math.exp(wide))
    return figures


def _needed(model: ThermalModel) -> dict[str, float]:
    """Return what control needs: [K] rise of the soil by full heat for 2 h and for 24 h, and the weather's duty."""
    forward, rise = forward_of(model), rise_k(model, 1800.0, 48)
    return {
        "rise_2h_k": float(rise[:4].sum()),
        "rise_24h_k": float(rise.sum()),
        "outside_per_k": forward.outside_per_k,
        "sun_per_w_m2": forward.sun_per_w_m2,
    }


def _heard(values: Array) -> Array:
    return values[np.isfinite(values)]


def _rms(values: Array) -> float:
    return float(np.sqrt(np.nanmean(np.square(values))))
