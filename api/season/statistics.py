"""Two small groups compared without assuming any shape: exact chances, the shift with its exact interval, log-rank.

Notes
-----
Below eight per group a bootstrap interval called 95 % covers 80 to 91 % (simulated), so none is made here.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from controller.errors import SoilwardError

if TYPE_CHECKING:
    from scipy.stats import CensoredData

Array = NDArray[np.float64]
Alternative = Literal["two-sided", "less", "greater"]

MOST_SHUFFLES = 50_000
"""Shufflings up to which every one is tried; beyond, a sample (engineering judgement: half a second at most)."""

SAMPLED = 19_999
"""Shufflings drawn where not every one is tried; drawn alike each time, so that a page says the same twice."""

DECIMALS = 9
"""Decimals of a statistic that count: sums in another order must not differ by rounding."""


class ComparisonError(SoilwardError):
    """Groups that cannot be compared; says which and why."""


@dataclass(frozen=True, slots=True)
class Chance:
    """How often chance alone does as much: the p-value, the least these group sizes can give, and if it is exact."""

    p: float
    smallest_p: float
    exact: bool


@dataclass(frozen=True, slots=True)
class Shift:
    """How far one group lies above another, and the interval that holds it, with the confidence it really has.

    Notes
    -----
    An interval from -inf to inf means that no interval reaches the confidence asked for with so few; its own is 1.
    """

    median: float
    low: float
    high: float
    confidence: float


def smallest_p(first: int, second: int) -> float:
    """Return the least two-sided p that groups of these sizes can ever give."""
    return min(1.0, 2.0 / math.comb(first + second, first))


def permutation(first: Sequence[float], second: Sequence[float]) -> Chance:
    """Return how often shuffling the group labels makes the means differ as much, two-sided.

    Notes
    -----
    Every shuffling up to 50 000 of them, else 19 999 drawn ones, whose p is (b + 1)/(m + 1) and never 0.

    Source: Fisher 1935, The Design of Experiments, section 21; Phipson and Smyth 2010, Stat. Appl. Genet. Mol. Biol.
    9:39.
    """
    from scipy import stats  # 70 MB: only the pages that compare need it

    x, y = _group(first), _group(second)
    least = smallest_p(len(x), len(y))
    if min(len(x), len(y)) == 1:
        return Chance(_one_against(x, y), least, True)
    exact = math.comb(len(x) + len(y), len(x)) <= MOST_SHUFFLES
    found = stats.permutation_test(
        [x.tolist(), y.tolist()],
        _mean_difference,
        vectorized=True,
        n_resamples=MOST_SHUFFLES if exact else SAMPLED,
        batch=10_000,
        rng=1,
    )
    return Chance(float(found.pvalue), least, exact)


def rank_sum(
    first: Sequence[float], second: Sequence[float], alternative: Alternative = "two-sided"
) -> tuple[float, float]:
    """Return Mann and Whitney's U of the first group and its exact p.

    Raises
    ------
    ComparisonError
        If values are tied: the exact distribution knows no ties; `permutation` does.
    """
    from scipy import stats  # 70 MB: only the pages that compare need it

    x, y = _group(first), _group(second)
    if len(np.unique(np.concatenate([x, y]))) < len(x) + len(y):
        raise ComparisonError("two values are the same; the exact rank sum takes none, use the permutation test")
    found = stats.mannwhitneyu(x, y, alternative=alternative, method="exact")
    return float(found.statistic), float(found.pvalue)


def shift(first: Sequence[float], second: Sequence[float], confidence: float = 0.95) -> Shift:
    """Return how far the first group lies above the second: Hodges and Lehmann's median of all differences.

    Notes
    -----
    The interval takes order statistics of the differences; its confidence is what the rank sum really gives, at least
    what was asked for. With ties it is at least that.

    Source: Hollander and Wolfe 1999, Nonparametric Statistical Methods, section 4.3.
    """
    x, y = _group(first), _group(second)
    differences = np.sort(np.asarray(np.round(np.subtract.outer(x, y).ravel(), DECIMALS), dtype=float))
    return interval(differences, _rank_sum_counts(len(x), len(y)), confidence)


def interval(ordered: Array, counts: Sequence[int], confidence: float) -> Shift:
    """Return the median and the interval of ordered differences or means, from the exact counts of their rank test."""
    median, total = float(np.median(ordered)), sum(counts)
    below = np.cumsum(np.array(counts, dtype=float)) / total
    cut = int(np.searchsorted(below, (1.0 - confidence) / 2.0 + 1e-12, side="right"))
    if cut == 0:
        return Shift(median, -math.inf, math.inf, 1.0)
    return Shift(median, float(ordered[cut - 1]), float(ordered[-cut]), float(1.0 - 2.0 * below[cut - 1]))


@dataclass(frozen=True, slots=True)
class Waited:
    """A group's waits: those that ended, and for those that did not how long they were watched."""

    ended: Sequence[float]
    watched: Sequence[float] = ()

    def __len__(self) -> int:
        return len(self.ended) + len(self.watched)


def log_rank(first: Waited, second: Waited) -> tuple[float, float]:
    """Return the log-rank z of two groups, negative where the first waits longer, and its p for large groups.

    Source: Mantel 1966, Cancer Chemother. Rep. 50:163-170.
    """
    from scipy import stats  # 70 MB: only the pages that compare need it

    _ended(first, second)
    found = stats.logrank(_censored(first), _censored(second))
    return float(found.statistic), float(found.pvalue)


def exact_log_rank(first: Waited, second: Waited) -> Chance:
    """Return the log-rank test's chance by shuffling the groups, which holds for groups of any size.

    Notes
    -----
    Each wait scores whether it ended less how likely it was to have ended by then (Nelson and Aalen); a group's sum is
    its observed less its expected endings. It asks that both groups were watched alike.

    Source: Peto and Peto 1972, J. R. Stat. Soc. A 135:185-207.
    """
    _ended(first, second)
    waits = np.array([*first.ended, *first.watched, *second.ended, *second.watched], dtype=float)
    ends = np.concatenate([np.repeat([1.0, 0.0], [len(each.ended), len(each.watched)]) for each in (first, second)])
    times = np.unique(waits[ends > 0.0])
    hazard = np.array([ends[waits == at].sum() / (waits >= at).sum() for at in times])
    scores = np.round(ends - np.array([hazard[times <= wait].sum() for wait in waits]), DECIMALS)
    return permutation(scores[: len(first)].tolist(), scores[len(first) :].tolist())


def median_wait(group: Waited) -> float | None:
    """Return when half of a group had ended, or None if fewer than half ever did while watched.

    Source: Kaplan and Meier 1958, J. Am. Stat. Assoc. 53:457-481.
    """
    from scipy import stats  # 70 MB: only the pages that compare need it

    if not len(group):
        raise ComparisonError("a group is empty; give at least one value")
    remain = stats.ecdf(_censored(group)).sf
    left = np.round(remain.probabilities, DECIMALS)
    if not (left < 0.5).any():
        return None
    at_half, past = (remain.quantiles[np.argmax(each)] for each in (left <= 0.5, left < 0.5))
    return float((at_half + past) / 2.0)


def _group(values: Sequence[float]) -> Array:
    group = np.asarray(values, dtype=float)
    if not len(group):
        raise ComparisonError("a group is empty; give at least one value")
    if not np.isfinite(group).all():
        raise ComparisonError("a group holds a value that is no number; leave out what was not measured")
    return group


def _mean_difference(x: Array, y: Array, axis: int = -1) -> Array:
    return np.asarray(np.round(np.mean(x, axis=axis) - np.mean(y, axis=axis), DECIMALS))


def _one_against(x: Array, y: Array) -> float:
    """Return the chance of a single value: how many of all lie as far out on its side, twice."""
    one, every = (x if len(x) == 1 else y)[0], np.concatenate([x, y])
    return float(min(1.0, 2.0 * min((every <= one).mean(), (every >= one).mean())))


def _rank_sum_counts(first: int, second: int) -> list[int]:
    """Return how many ways there are to each U, 0 to the product of the sizes.

    Source: Mann and Whitney 1947, Ann. Math. Stat. 18:50-60 (their recursion, as a table).
    """
    ways = [[1] + [0] * (first * second) for _ in range(first + 1)]
    for chosen in range(1, first + 1):
        ways[chosen] = [0] * (first * second + 1)
    for place in range(first + second):
        for chosen in range(min(first, place + 1), 0, -1):
            above = place - chosen + 1
            if above <= second:
                for u in range(first * second, above - 1, -1):
                    ways[chosen][u] += ways[chosen - 1][u - above]
    return ways[first]


def _censored(group: Waited) -> "CensoredData":
    from scipy import stats  # 70 MB: only the pages that compare need it

    return stats.CensoredData(uncensored=list(group.ended), right=list(group.watched))


def _ended(first: Waited, second: Waited) -> None:
    for each in (first, second):
        if not len(each):
            raise ComparisonError("a group is empty; give at least one value")
    if not (len(first.ended) or len(second.ended)):
        raise ComparisonError("no wait ended in either group; there is nothing to compare")
