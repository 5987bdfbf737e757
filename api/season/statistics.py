"""Two small groups compared without assuming any shape: exact chances, the shift with its exact interval, log-rank.

Notes
-----
Below eight per group a bootstrap interval called 95 % covers 80 to 91 % (simulated), so none is made here.

Counted here, since scipy.stats takes 60 MB of memory to hold; the tests hold each figure beside its.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import chain, combinations

import numpy as np
from numpy.typing import NDArray

from controller.errors import SoilwardError

Array = NDArray[np.float64]

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
    x, y = _group(first), _group(second)
    least, every = smallest_p(len(x), len(y)), np.concatenate([x, y])
    if min(len(x), len(y)) == 1:
        return Chance(_one_against(x, y), least, True)
    exact = math.comb(len(every), len(x)) <= MOST_SHUFFLES
    chosen = _chosen(len(every), len(x)) if exact else _drawn(len(every), len(x))
    means = every[chosen].mean(axis=1), (every.sum() - every[chosen].sum(axis=1)) / len(y)
    return Chance(two_sided(means[0] - means[1], float(x.mean() - y.mean()), exact=exact), least, exact)


def _chosen(total: int, first: int) -> NDArray[np.intp]:
    """Return every way to choose so many of all, a row each."""
    ways = chain.from_iterable(combinations(range(total), first))
    return np.fromiter(ways, dtype=np.intp).reshape(-1, first)


def _drawn(total: int, first: int) -> NDArray[np.intp]:
    """Return some of those ways, drawn alike each time."""
    order = np.tile(np.arange(total), (SAMPLED, 1))
    return np.random.default_rng(1).permuted(order, axis=1)[:, :first]


def two_sided(shuffled: Array, seen: float, *, exact: bool) -> float:
    """Return how often shufflings lie as far out as what was seen, on its side, twice; beside drawn ones it counts."""
    rounded, drawn = np.round(shuffled, DECIMALS), int(not exact)
    at = round(seen, DECIMALS)
    least = min(int((rounded <= at).sum()), int((rounded >= at).sum()))
    return min(1.0, 2.0 * (least + drawn) / (len(rounded) + drawn))


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
    return interval(differences, rank_sum_counts(len(x), len(y)), confidence)


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
    _ended(first, second)
    ends = np.array([*first.ended, *second.ended], dtype=float)
    waits = np.array([*first.ended, *first.watched, *second.ended, *second.watched], dtype=float)
    own, every = waits[: len(first)], waits
    more = spread = 0.0
    for at in np.unique(ends):
        ended, waiting, its = (ends == at).sum(), (every >= at).sum(), (own >= at).sum()
        more += (np.array(first.ended, dtype=float) == at).sum() - ended * its / waiting
        spread += ended * its * (waiting - its) * (waiting - ended) / (waiting**2 * max(waiting - 1, 1))
    z = float(more / math.sqrt(spread)) if spread > 0.0 else 0.0
    return z, math.erfc(abs(z) / math.sqrt(2.0))


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
    if not len(group):
        raise ComparisonError("a group is empty; give at least one value")
    left, at_half = 1.0, None
    for at in sorted(set(group.ended)):
        waiting = sum(each >= at for each in (*group.ended, *group.watched))
        left = round(left * (1.0 - group.ended.count(at) / waiting), DECIMALS)
        if left < 0.5:
            return float(at if at_half is None else (at_half + at) / 2.0)
        if left == 0.5:
            at_half = at
    return None


def _group(values: Sequence[float]) -> Array:
    group = np.asarray(values, dtype=float)
    if not len(group):
        raise ComparisonError("a group is empty; give at least one value")
    if not np.isfinite(group).all():
        raise ComparisonError("a group holds a value that is no number; leave out what was not measured")
    return group


def _one_against(x: Array, y: Array) -> float:
    """Return the chance of a single value: how many of all lie as far out on its side, twice."""
    one, every = (x if len(x) == 1 else y)[0], np.concatenate([x, y])
    return float(min(1.0, 2.0 * min((every <= one).mean(), (every >= one).mean())))


def rank_sum_counts(first: int, second: int) -> list[int]:
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


def _ended(first: Waited, second: Waited) -> None:
    for each in (first, second):
        if not len(each):
            raise ComparisonError("a group is empty; give at least one value")
    if not (len(first.ended) or len(second.ended)):
        raise ComparisonError("no wait ended in either group; there is nothing to compare")
