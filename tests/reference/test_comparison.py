"""Exact tests and intervals against worked examples of the textbooks."""

import math
from datetime import date, timedelta

import pytest

from api.season.paired import sign_flip, signed_rank_counts, smallest_p_of_pairs, typical_difference
from api.season.statistics import (
    Waited,
    exact_log_rank,
    log_rank,
    median_wait,
    permutation,
    rank_sum_counts,
    shift,
    smallest_p,
)
from api.season.worth import Measure, Tree, compare

MAIZE = [49, -67, 8, 16, 6, 23, 28, 41, 14, 29, 56, 24, 75, 60, -48]
AT_TERM = [0.80, 0.83, 1.89, 1.04, 1.45, 1.38, 1.91, 1.64, 0.73, 1.46]
EARLIER = [1.15, 0.88, 0.90, 0.74, 1.21]
BEFORE = [1.83, 0.50, 1.62, 2.48, 1.68, 1.88, 1.55, 3.06, 1.30]
AFTER = [0.878, 0.647, 0.598, 2.05, 1.06, 1.29, 1.06, 3.14, 1.29]
UNDER_HEAT, IN_THE_OPEN = [238, 241, 244, 239, 247], [252, 249, 256, 246, 258]


def test_darwins_maize() -> None:
    """1726 of 32768 patterns of signs lie as far out; the least p of 15 pairs is 2 of them.

    Source: Fisher 1935, The Design of Experiments, section 21.
    """
    found = sign_flip(MAIZE)
    assert found.exact
    assert found.p == pytest.approx(1726 / 32768, abs=1e-9)
    assert found.smallest_p == 2 / 32768


def test_the_permeability_of_a_membrane() -> None:
    """U 35, one-sided p 0.127206, shift 0.305 with interval -0.15 to 0.76 at 96.0 %.

    Source: Hollander and Wolfe 1999, Nonparametric Statistical Methods, example 4.1.
    """
    u = sum(one > other for one in AT_TERM for other in EARLIER)
    ways, found = rank_sum_counts(10, 5), shift(AT_TERM, EARLIER)
    assert (u, sum(ways[u:]) / sum(ways)) == pytest.approx((35, 0.127206), abs=1e-6)
    assert (found.median, found.low, found.high) == pytest.approx((0.305, -0.15, 0.76), abs=1e-9)
    assert found.confidence == pytest.approx(0.960, abs=5e-4)


def test_the_depression_of_nine_patients() -> None:
    """V 40, one-sided p 0.01953125, pseudomedian 0.46.

    Source: Hollander and Wolfe 1999, Nonparametric Statistical Methods, example 3.1.
    """
    differences = [before - after for before, after in zip(BEFORE, AFTER, strict=True)]
    ways = signed_rank_counts(9)
    v = sum(one + other > 0 for at, one in enumerate(differences) for other in differences[at:])
    assert (v, sum(ways[v:]) / sum(ways)) == pytest.approx((40, 0.01953125), abs=1e-9)
    found = typical_difference(differences)
    assert found.median == pytest.approx(0.46, abs=1e-9)
    assert found.low < 0.46 < found.high
    assert found.confidence == pytest.approx(1 - 2 * 10 / 512), "ten of 512 patterns have V of 5 or less"


def test_sleep_after_two_drugs() -> None:
    """Every pattern of signs of the ten differences: p 0.00390625, with a difference of 0 and ties among them.

    Source: Student 1908, Biometrika 6:1-25 (data); exact count by independent code.
    """
    differences = [-1.2, -2.4, -1.3, -1.3, 0.0, -1.0, -1.8, -0.8, -4.6, -1.4]
    assert sign_flip(differences).p == pytest.approx(0.00390625, abs=1e-9)


def test_three_against_three_can_show_nothing() -> None:
    """Wholly parted, p is 0.1, and no interval reaches 95 %.

    Source: common practice (combinatorics: 2 of the 20 ways to choose three of six).
    """
    found = permutation([1, 2, 3], [11, 12, 13])
    assert (found.p, found.smallest_p) == pytest.approx((0.1, 0.1), abs=0)
    far = shift([1, 2, 3], [11, 12, 13])
    assert (far.median, far.low, far.high) == (-10.0, -math.inf, math.inf)


@pytest.mark.parametrize(
    ("first", "second", "least"),
    [(1, 1, 1.0), (2, 2, 0.3333), (3, 3, 0.10), (3, 4, 0.0571), (4, 4, 0.0286), (5, 5, 0.0079), (6, 6, 0.0022)],
)
def test_the_least_p_of_two_groups(first: int, second: int, least: float) -> None:
    """Wholly parted groups reach it, and nothing less.

    Source: common practice (combinatorics).
    """
    assert smallest_p(first, second) == pytest.approx(least, abs=5e-5)
    parted = permutation(list(range(first)), list(range(100, 100 + second)))
    assert parted.p == pytest.approx(parted.smallest_p)


@pytest.mark.parametrize(
    ("pairs", "least"), [(1, 1.0), (3, 0.25), (4, 0.125), (5, 0.0625), (6, 0.03125), (8, 0.0078125)]
)
def test_the_least_p_of_pairs(pairs: int, least: float) -> None:
    """Differences of one sign reach it, and nothing less.

    Source: common practice (combinatorics).
    """
    assert smallest_p_of_pairs(pairs) == least
    assert sign_flip([1.0 + each for each in range(pairs)]).p == least


def test_ripening_under_heat_and_in_the_open() -> None:
    """Five trees against five: p 4/252, 11 days earlier, 2 to 18 at 96.8 %.

    Source: common practice (made up; exact count by independent code).
    """
    chance, found = permutation(UNDER_HEAT, IN_THE_OPEN), shift(UNDER_HEAT, IN_THE_OPEN)
    assert chance.p == pytest.approx(4 / 252, abs=1e-6)
    assert (found.median, found.low, found.high) == (-11.0, -18.0, -2.0)
    assert found.confidence == pytest.approx(0.968, abs=5e-4)


def test_trees_that_never_ripened() -> None:
    """Log-rank z 1.8256, p 0.067913 as for large groups; by shuffling 20 of 252; no median where fewer than half came.

    Source: Mantel 1966, Cancer Chemother. Rep. 50:163-170 (formula); figures by independent code.
    """
    heated, open_air = Waited([238, 241, 244, 247], [290]), Waited([252, 258], [290, 290, 290])
    assert log_rank(heated, open_air) == pytest.approx((1.8256, 0.067913), abs=5e-5)
    assert exact_log_rank(heated, open_air).p == pytest.approx(20 / 252)
    assert median_wait(heated) == 244.0
    assert median_wait(open_air) is None


def test_earlier_is_not_more() -> None:
    """Under cover figs came 10 to 13 days earlier, and bore 1.64 and 3.94 against 16.67 and 22.57 t/ha: date and yield
    are told apart, one in favour of the cover and one against it.

    Source: Caliskan et al. 2024, Ege Univ. Ziraat Fak. Derg. 61:321-334 (abstract; 'Bursa Siyahi').
    """

    def tree(name: str, protection: str, day: int, t_ha: float) -> Tree:
        ripe = date(2021, 6, 1) + timedelta(days=day)
        return Tree(name, protection, None, date(2021, 9, 1), ripe, ripe, t_ha * 1000.0)

    rows = [("a", "covered", 20, 1.64), ("b", "covered", 17, 3.94), ("c", "open", 30, 16.67), ("d", "open", 30, 22.57)]
    found = {each.measure: each.effect for each in compare([tree(*row) for row in rows])}
    assert found[Measure.FIRST_RIPE] == pytest.approx(-11.5)
    assert found[Measure.YIELD] == pytest.approx(1000.0 * (2.79 - 19.62), abs=1.0)
