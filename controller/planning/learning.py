"""Each night a better model from the last days, moved towards by bounded steps."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

from controller.control.log import Log
from controller.control.thermal import ThermalModel
from controller.planning.foresee import Facts, NoForesightError, lit, measures_light, whole
from controller.plant.column import Column, column_of
from controller.plant.column_fit import column_from
from controller.plant.column_run import MAY_BE_OFF, changed_to, figures_of
from controller.plant.identify import FREE, Identified, NotExcitedError, identify
from controller.plant.stores_of import stores_of

MOST_STEP = 0.3
"""Largest change of the logarithm of a figure in one night: a bad day cannot undo a season."""
FIRST_TIMES = 10.0
"""No figure of a first lesson is taken for more times geometry's, or for a smaller part of it, but the lag, which three
stores need: up to 6.6 in 180 simulated sound lessons, and 35 and more where soil and air probe were exchanged."""
DAYS_S = 3 * 86_400.0
MOST_TIMES = 5.0
"""A figure of the layers so many times geometry's, or so small a part of it, is not believed (as at adoption)."""

HEATER = ("heater_w", "to_air", "to_upper", "to_bed", "lag_s")
OTHER_TIMES = 1.15
"""A heater so many times as strong as the one learnt with, or as weak, is another one: lessons find it some hundredths
off its rating."""


@dataclass(frozen=True, slots=True)
class Lesson:
    """A better model, and of each figure what three days say: value, low, high."""

    model: ThermalModel
    figures: dict[str, tuple[float, float, float]]


def learn(facts: Facts, geometry: ThermalModel, model: ThermalModel, log: Log) -> Lesson | None:
    """Return the model renewed from the last three days with what they say of each figure, or None: nothing learnt."""
    try:
        found = taught(facts, geometry, log)
    except (NoForesightError, NotExcitedError):
        return None
    figures = {name: (each.value, each.low, each.high) for name, each in found.figures.items()}
    # What geometry held was a guess: the first lesson is taken whole where it can be, the later ones by bounded steps.
    return Lesson(likely(found.model, geometry) if model == geometry else renewed(model, found.model), figures)


def taught(facts: Facts, geometry: ThermalModel, log: Log) -> Identified:
    """Return what the last three days tell: a column of layers where light was measured, else the stores themselves.

    Raises
    ------
    NoForesightError, NotExcitedError
        If the record is too short or broken, or nothing in it moved; with what is missing.
    """
    seen = whole(log.latest(DAYS_S))
    if not measures_light(facts, seen):
        blind = replace(facts, has_light=False)
        return identify(lit(blind, geometry, seen), geometry, lambda model: lit(blind, model, seen))
    bright = lit(facts, geometry, seen)
    if facts.built is None:
        return identify(bright, geometry)
    found = column_from(bright, facts.built, facts.depth_m)
    model = stores_of(found.column, geometry)
    return Identified(model, found.figures, found.soil_misfit_k, found.air_misfit_k, found.soil_c, found.air_c)


def likely(found: ThermalModel, geometry: ThermalModel) -> ThermalModel:
    """Return the model found, no figure of it beyond what geometry can be off by."""
    kept = {}
    for name in FREE.keys() - {"lag_s"}:
        usual = getattr(geometry, name)
        kept[name] = min(max(getattr(found, name), usual / FIRST_TIMES), usual * FIRST_TIMES)
    return replace(found, **kept)


def renewed(old: ThermalModel, found: ThermalModel) -> ThermalModel:
    """Return the old model moved towards the one found, each figure by a bounded part at most."""
    moved = {}
    for name in FREE:
        change = math.log(getattr(found, name) / getattr(old, name))
        moved[name] = getattr(old, name) * math.exp(min(max(change, -MOST_STEP), MOST_STEP))
    return replace(old, **moved, deep_c=found.deep_c)


def is_other_heater(model: ThermalModel, geometry: ThermalModel) -> bool:
    """Whether settings have named another heater since a model was learnt."""
    ratio = model.heater_w / geometry.heater_w
    return model.to_bed != geometry.to_bed or not 1.0 / OTHER_TIMES < ratio < OTHER_TIMES


def with_heater_of(model: ThermalModel, geometry: ThermalModel) -> ThermalModel:
    """Return soil and cover of one model with the heater of another."""
    return replace(model, **{name: getattr(geometry, name) for name in HEATER})


def layers_of(facts: Facts, figures: Mapping[str, tuple[float, float, float]], deep_c: float) -> Column | None:
    """Return the layers that a lesson's figures tell of, or None where it told of stores alone or of what cannot be.

    Each lesson's own, not moved towards by steps: geometry holds them, and a column that misses gives no plan.
    """
    if facts.built is None or not facts.has_light or not set(MAY_BE_OFF) <= set(figures):
        return None
    held = column_of(facts.built, facts.depth_m)
    told = {name: figures[name][0] for name in MAY_BE_OFF}
    # A fit may give the air more than all of the heat, and so the floor less than none.
    told["to_air"] = min(told["to_air"], held.to_air + held.to_surface)
    is_likely = all(value / MOST_TIMES <= told[name] <= value * MOST_TIMES for name, value in figures_of(held).items())
    return changed_to(held, told, deep_c) if is_likely else None
