"""Pairs compared: the same trees in two years, or neighbours treated differently."""

import math
from collections.abc import Sequence

import numpy as np

from api.season.statistics import (
    DECIMALS,
    MOST_SHUFFLES,
    SAMPLED,
    Array,
    Chance,
    ComparisonError,
    Shift,
    interval,
    two_sided,
)


def smallest_p_of_pairs(pairs: int) -> float:
    """Return the least two-sided p that so many pairs can ever give."""
    return min(1.0, 2.0 / 2.0**pairs)


def sign_flip(differences: Sequence[float]) -> Chance:
    """Return how often chance signs make the mean difference as far from 0, two-sided.

    Notes
    -----
    Every pattern of signs up to 50 000 of them, else 19 999 drawn ones, whose p is (b + 1)/(m + 1) and never 0.

    Source: Fisher 1935, The Design of Experiments, section 21; Phipson and Smyth 2010, Stat. Appl. Genet. Mol. Biol.
    9:39.
    """
    each = _finite(differences)
    if len(each) == 1:
        return Chance(1.0, 1.0, True)
    exact = 2 ** len(each) <= MOST_SHUFFLES
    signs = _signs(len(each)) if exact else np.random.default_rng(1).choice([-1.0, 1.0], (SAMPLED, len(each)))
    p = two_sided((signs * each).mean(axis=1), float(each.mean()), exact=exact)
    return Chance(p, smallest_p_of_pairs(len(each)), exact)


def _signs(pairs: int) -> Array:
    """Return every pattern of signs, a row each."""
    return np.where((np.arange(2**pairs)[:, None] >> np.arange(pairs)) & 1, 1.0, -1.0)


def typical_difference(differences: Sequence[float], confidence: float = 0.95) -> Shift:
    """Return the pseudomedian, the median of the means of all pairs of differences, with its exact interval.

    Source: Hollander and Wolfe 1999, Nonparametric Statistical Methods, section 3.3.
    """
    each = _finite(differences)
    means = np.add.outer(each, each)[np.triu_indices(len(each))] / 2.0
    return interval(np.sort(np.round(means, DECIMALS)), signed_rank_counts(len(each)), confidence)


def signed_rank_counts(pairs: int) -> list[int]:
    """Return how many patterns of signs there are to each V, 0 to its largest."""
    ways = [1] + [0] * math.comb(pairs + 1, 2)
    for rank in range(1, pairs + 1):
        for total in range(len(ways) - 1, rank - 1, -1):
            ways[total] += ways[total - rank]
    return ways


def _finite(differences: Sequence[float]) -> Array:
    each = np.asarray(differences, dtype=float)
    if not len(each) or not np.isfinite(each).all():
        raise ComparisonError("pairs: give at least one difference, every one a number; leave out broken pairs")
    return each
