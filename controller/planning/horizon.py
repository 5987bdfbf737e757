"""The coming day and a half as a linear programme: least heat, with cold soil dear and a little for heat in vain."""

from dataclasses import dataclass

import numpy as np
from scipy.linalg import toeplitz
from scipy.optimize import Bounds, LinearConstraint, milp

from controller.control.stepping import Array
from controller.heating import STORED_WARM_K
from controller.planning.linear import Linear

STEP_S = 1800.0
STEPS = 72
"""36 h: a night, a day and the night after. Shorter is blind to the second night (seen in simulation)."""
COLD_IS_DEAR = 10.0
"""A kelvin hour of cold costs so many times the heat that would hold it off in steady state. Lower stops heating,
higher heats a day ahead (seen in simulation; value from our own bench)."""
WARM_IS_VAIN = 3.0
"""The same for a kelvin hour more than `SLACK_K` too warm, in the dark. By day the sun makes it: a price there would be
asked of the night before, whose last heat adds to a warm afternoon (value from our own bench)."""
SLACK_K = 1.0
DARK_W_M2 = 20.0
"""[W/m2] less light than this warms no soil (engineering judgement)."""
UNEVEN_IS_DEAR, EVEN_STEPS = 0.2, 24
"""More heat after less costs so many half hours of the difference, where it goes into the air and in the coming 12 h:
else a forecast that has turned warmer puts an air heater out for half an hour, and on again, in the middle of the
night (seen in simulation; value from our own bench)."""


@dataclass(frozen=True, slots=True)
class Ahead:
    """What the programme found: heat per step, and the soil [Cel] at the start and at each step's end."""

    duty: Array
    soil_c: Array


def look_ahead(by: Linear, state: Array, outside_c: Array, light_w_m2: Array, set_point_c: Array, most: float) -> Ahead:
    """Return the cheapest heat that keeps the soil at its set points as well as it can be kept.

    Parameters
    ----------
    by
        The model, in steps of `STEP_S`.
    outside_c, light_w_m2, set_point_c
        Per step; NaN as set point asks for nothing.
    most
        Highest duty the longest closing allows.
    """
    steps = len(outside_c)
    free_c = by.through(state, np.column_stack([outside_c, light_w_m2, np.zeros(steps)]))
    lift = toeplitz(by.rise_k(steps), np.zeros(steps))
    # Soil that is still too warm of itself when a step ends is refused heat by the loop all through it.
    refused = free_c[1:] > set_point_c + STORED_WARM_K
    prices = _Prices(by.hold_per_k(), UNEVEN_IS_DEAR * by.to_air)
    warmest_c = np.where(light_w_m2 < DARK_W_M2, set_point_c + SLACK_K, np.inf)
    duty = _cheapest(lift, free_c[1:], (set_point_c, warmest_c), np.where(refused, 0.0, most), prices)
    return Ahead(duty, free_c + np.concatenate([[0.0], lift @ duty]))


@dataclass(frozen=True, slots=True)
class _Prices:
    """Half hours of full heat: `hold` per kelvin of a half hour in steady state, `uneven` per rise of duty by 1."""

    hold: float
    uneven: float


def _cheapest(lift: Array, free_c: Array, between_c: tuple[Array, Array], most: Array, price: _Prices) -> Array:
    """Return duty per step; only steps that could be too cold, or too warm by heat, are asked about."""
    coldest_c, warmest_c = between_c
    cold, warm = free_c < coldest_c, free_c + lift @ most > warmest_c
    if not cold.any():
        return np.zeros(len(lift))
    # Each step asked about is one row, from its coldest to its warmest, and may miss either at its price.
    told, each, rises = cold | warm, np.eye(len(lift)), EVEN_STEPS - 1 if price.uneven > 0.0 else 0
    limits = np.hstack([lift, each[:, cold], -each[:, warm], np.zeros((len(lift), rises))])[told]
    least_k, most_k = np.where(cold, coldest_c - free_c, -np.inf), np.where(warm, warmest_c - free_c, np.inf)
    missed = [COLD_IS_DEAR * price.hold] * int(cold.sum()) + [WARM_IS_VAIN * price.hold] * int(warm.sum())
    prices = np.concatenate([np.ones(len(lift)), missed, np.full(rises, price.uneven)])
    # Nothing is whole-numbered: milp asks the same solver as linprog and gets ready in a third of the time. Without
    # presolve it takes half as long: there is little to take away.
    found = milp(
        prices,
        constraints=[LinearConstraint(limits, least_k[told], most_k[told]), *_evenly(len(lift), len(missed), rises)],
        bounds=Bounds(0.0, np.append(most, np.full(len(prices) - len(most), np.inf))),
        options={"presolve": False},
    )
    if found.x is None:
        raise ArithmeticError(f"the linear programme found nothing: {found.message}")
    return np.asarray(found.x[: len(lift)])


def _evenly(steps: int, others: int, rises: int) -> list[LinearConstraint]:
    """Return that no step has more heat than the one before it but for the rise that it pays for."""
    if rises == 0:
        return []
    more = np.diff(np.eye(steps)[: rises + 1], axis=0)
    return [LinearConstraint(np.hstack([more, np.zeros((rises, others)), -np.eye(rises)]), -np.inf, 0.0)]
