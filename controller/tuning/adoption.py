"""A model that a person adopts: figures within bounds round what geometry says, or a refusal in words. Pure."""

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from controller.control.thermal import LEARNT, ThermalModel
from controller.store.journal import JSON

MOST_TIMES = 5.0
"""No figure is adopted that is so many times geometry's, or so small a part of it: then geometry or wiring is wrong.
Source: engineering judgement."""
DEEP_C = (-5.0, 30.0)
"""[Cel] bounds of the ground far below. Source: engineering judgement."""
LAG_S = (10.0, 86_400.0)
"""[s] bounds of the heater's lag, which is no figure of geometry's here: three stores take up in it what lies between a
cable and the probe. In thirty simulated sound beds with a light probe it was up to 24 times the cable's own; a day is
beyond all of them."""
OWN_BOUNDS = {"deep_c": DEEP_C, "lag_s": LAG_S}


class UnfitError(ValueError):
    """Why figures cannot be adopted, in plain words."""


Likely = dict[str, tuple[float, float, float]]
"""Name to (value, low, high): nine times in ten the truth lies between."""


def figures_of(model: ThermalModel) -> dict[str, JSON]:
    """Return the figures that a request to adopt a model carries."""
    return {name: getattr(model, name) for name in (*LEARNT, "deep_c")}


def likely_of(written: object) -> Likely:
    """Read what is known of each figure.

    Raises
    ------
    UnfitError
        If it is not three rising numbers by name.
    """
    if not isinstance(written, dict):
        raise UnfitError("what is known of the figures must be given by name: value, low, high")
    for name, three in written.items():
        if not isinstance(three, list | tuple) or len(three) != 3 or not all(map(_is_number, three)):
            raise UnfitError(f"{name}: write three numbers, value, low and high")
        if not three[1] <= three[0] <= three[2]:
            raise UnfitError(f"{name}: {three[0]:.4g} does not lie between {three[1]:.4g} and {three[2]:.4g}")
    return {str(name): (float(three[0]), float(three[1]), float(three[2])) for name, three in written.items()}


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def adopted(geometry: ThermalModel, figures: Any) -> ThermalModel:
    """Return geometry's model with these figures in place of its own.

    Raises
    ------
    UnfitError
        If one is missing, unknown, no number, or out of bounds.
    """
    if not isinstance(figures, Mapping):
        raise UnfitError("a model is adopted by its figures; `soilward tune` finds them")
    wrong = sorted(set(figures) ^ {*LEARNT, "deep_c"})
    if wrong:
        raise UnfitError(f"a model has the figures {', '.join(LEARNT)} and deep_c; missing or unknown: {wrong[0]!r}")
    for name, value in figures.items():
        if not _is_number(value):
            raise UnfitError(f"{name}: {value!r} is no number")
        usual = getattr(geometry, name)
        low, high = OWN_BOUNDS.get(name, (usual / MOST_TIMES, usual * MOST_TIMES))
        if not low <= value <= high:
            raise UnfitError(
                f"{name} {value:.4g} is outside {low:.4g} to {high:.4g}, the bounds round what shape and materials "
                "give; check them in the settings, and the probes"
            )
    return replace(geometry, **{name: float(value) for name, value in figures.items()})
