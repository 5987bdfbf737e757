"""Each night a better model from the last days, moved towards by bounded steps."""

import math
from dataclasses import dataclass, replace

from controller.control.log import Log
from controller.control.thermal import ThermalModel
from controller.planning.foresee import Facts, NoForesightError, lit, whole
from controller.plant.identify import FREE, NotExcitedError, identify

MOST_STEP = 0.3
"""Largest change of the logarithm of a figure in one night: a bad day cannot undo a season."""
DAYS_S = 3 * 86_400.0


@dataclass(frozen=True, slots=True)
class Lesson:
    """A better model, and of each figure what three days say: value, low, high."""

    model: ThermalModel
    figures: dict[str, tuple[float, float, float]]


def learn(facts: Facts, geometry: ThermalModel, model: ThermalModel, log: Log) -> Lesson | None:
    """Return the model renewed from the last three days with what they say of each figure, or None: nothing learnt."""
    try:
        seen = whole(log.latest(DAYS_S))
        relit = None if facts.has_light else (lambda model: lit(facts, model, seen))
        found = identify(lit(facts, geometry, seen), geometry, relit)
    except (NoForesightError, NotExcitedError):
        return None
    figures = {name: (each.value, each.low, each.high) for name, each in found.figures.items()}
    # What geometry held was a guess: the first lesson is taken whole, the later ones by bounded steps.
    return Lesson(found.model if model == geometry else renewed(model, found.model), figures)


def renewed(old: ThermalModel, found: ThermalModel) -> ThermalModel:
    """Return the old model moved towards the one found, each figure by a bounded part at most."""
    moved = {}
    for name in FREE:
        change = math.log(getattr(found, name) / getattr(old, name))
        moved[name] = getattr(old, name) * math.exp(min(max(change, -MOST_STEP), MOST_STEP))
    return replace(old, **moved, deep_c=found.deep_c)
