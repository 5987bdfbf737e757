"""Least squares whose slopes come from one call: every figure nudged alone, and all those runs walk together."""

import math
from collections.abc import Callable

import numpy as np
from scipy.optimize import least_squares

from controller.control.stepping import Array

ROOT_EPSILON = math.sqrt(np.finfo(np.float64).eps)
"""Part by which a figure is nudged: the usual one of forward differences."""
MissedEach = Callable[[Array], Array]
"""Gives a row of misses for each row of figures."""


def usual_nudges(at: Array) -> Array:
    """Return the usual nudge of each figure, away from zero."""
    return np.asarray(ROOT_EPSILON * np.where(at < 0.0, -1.0, 1.0) * np.maximum(1.0, np.abs(at)))


def slopes(missed_each: MissedEach, at: Array, nudges: Array) -> Array:
    """Return by how much each miss (rows) grows with each figure (columns), by forward differences."""
    found = missed_each(at + np.vstack([np.zeros(len(at)), np.diag(nudges)]))
    return np.asarray(((found[1:] - found[0]) / nudges[:, None]).T)


def fitted(
    missed_each: MissedEach,
    figures: int,
    nudges: Callable[[Array], Array] = usual_nudges,
    enough: float = 1e-8,
    most_tries: int = 20,
) -> tuple[Array, Array]:
    """Return the figures, from zeros on, that miss least, and the slopes there.

    Parameters
    ----------
    nudges
        Gives by how much each figure is nudged; any size will do where misses are linear in it.
    enough
        Part of the misses below which a better fit is not looked for.
    """

    def missed(at: Array) -> Array:
        return np.asarray(missed_each(at[None])[0])

    def sloped(at: Array) -> Array:
        return slopes(missed_each, at, nudges(at))

    found = least_squares(missed, np.zeros(figures), sloped, ftol=enough, max_nfev=most_tries)
    return np.asarray(found.x), np.asarray(found.jac)
