"""What is counted here by hand beside what scipy counts: chances, log-rank, half waits, Student's t."""

import random
from typing import Any

import numpy as np
import pytest
from scipy import special, stats

from api.season.paired import sign_flip
from api.season.statistics import Waited, log_rank, median_wait, permutation
from api.season.tonight import below

SEEDS = range(12)


def some(draw: random.Random, least: int, most: int) -> list[float]:
    """Return a few days, ties among them."""
    return [float(draw.randint(230, 250)) for _ in range(draw.randint(least, most))]


@pytest.mark.parametrize("seed", SEEDS)
def test_every_shuffling_of_two_groups(seed: int) -> None:
    """Two to six a side, with ties.

    Source: scipy.stats.permutation_test (BSD-3-Clause), every resample.
    """
    draw = random.Random(seed)
    first, second = some(draw, 2, 6), some(draw, 2, 6)
    by: Any = stats.permutation_test(  # type: ignore[call-overload]
        (first, second),
        lambda x, y, axis: np.round(np.mean(x, axis=axis) - np.mean(y, axis=axis), 9),
        vectorized=True,
        n_resamples=np.inf,
    )
    assert permutation(first, second).p == pytest.approx(by.pvalue, abs=1e-12)


@pytest.mark.parametrize("seed", SEEDS)
def test_every_pattern_of_signs(seed: int) -> None:
    """Two to nine pairs.

    Source: scipy.stats.permutation_test (BSD-3-Clause), permutation_type "samples", every resample.
    """
    draw = random.Random(seed)
    differences = [round(draw.gauss(1.0, 3.0), 1) for _ in range(draw.randint(2, 9))]
    by: Any = stats.permutation_test(  # type: ignore[call-overload]
        (differences,),
        lambda x, axis: np.round(np.mean(x, axis=axis), 9),
        vectorized=True,
        permutation_type="samples",
        n_resamples=np.inf,
    )
    assert sign_flip(differences).p == pytest.approx(by.pvalue, abs=1e-12)


def waited(draw: random.Random) -> tuple[Waited, stats.CensoredData]:
    """Return a group of waits of which some never ended, here and as scipy has it."""
    ended, watched = some(draw, 1, 6), some(draw, 0, 4)
    return Waited(ended, watched), stats.CensoredData(uncensored=ended, right=watched)


@pytest.mark.parametrize("seed", SEEDS)
def test_waits_that_never_ended(seed: int) -> None:
    """The log-rank z and p of two groups, and half of each: where the curve first lies below a half, or rests at it.

    Source: scipy.stats.logrank and scipy.stats.ecdf (BSD-3-Clause).
    """
    draw = random.Random(seed)
    (first, first_by), (second, second_by) = waited(draw), waited(draw)
    by = stats.logrank(first_by, second_by)
    assert log_rank(first, second) == pytest.approx((by.statistic, by.pvalue), abs=1e-9)
    left = stats.ecdf(first_by).sf
    under = [at for at, part in zip(left.quantiles, left.probabilities, strict=True) if part < 0.5 - 1e-9]
    at_half = [at for at, part in zip(left.quantiles, left.probabilities, strict=True) if abs(part - 0.5) < 1e-9]
    half = None if not under else under[0] if not at_half else (at_half[0] + under[0]) / 2.0
    assert median_wait(first) == half


def test_groups_too_large_to_try_every_shuffling() -> None:
    """Drawn ones: within 0.01 of scipy's, that draws others.

    Source: scipy.stats.permutation_test (BSD-3-Clause), 19 999 resamples.
    """
    draw = random.Random(1)
    first, second = [draw.gauss(0.0, 1.0) for _ in range(30)], [draw.gauss(0.4, 1.0) for _ in range(30)]
    by: Any = stats.permutation_test(
        (first, second),
        lambda x, y, axis: np.mean(x, axis=axis) - np.mean(y, axis=axis),
        vectorized=True,
        n_resamples=19_999,
        batch=5_000,
        rng=3,
    )
    assert permutation(first, second).p == pytest.approx(by.pvalue, abs=0.01)


@pytest.mark.parametrize("freedom", [1, 2, 3, 4, 7, 10, 29, 100])
def test_students_t(freedom: int) -> None:
    """From far below to far above, odd and even degrees of freedom.

    Source: scipy.special.stdtr (BSD-3-Clause; Cephes).
    """
    for t in (-40.0, -3.0, -1.0, -0.1, 0.0, 0.5, 2.0, 9.0):
        assert below(freedom, t) == pytest.approx(special.stdtr(freedom, t), abs=1e-12)
