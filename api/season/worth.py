"""Was the protection worth it: ripe dates, yield and damage compared between protections, and what a day cost.

Notes
-----
Fruits and days on one tree are no repetitions, and trees that share a heater or a cover share its luck: each such
enclosure counts once.
"""

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from enum import Enum
from itertools import combinations
from statistics import fmean

from api.season.statistics import (
    ComparisonError,
    Waited,
    exact_log_rank,
    log_rank,
    median_wait,
    permutation,
    shift,
    smallest_p,
)

LONGEST_SEASON_D = 366
"""[d] within which all dates of one comparison lie; else two seasons are mixed."""


class Measure(Enum):
    """What is compared; the value is what a person reads."""

    FIRST_RIPE = "first ripe fruit"
    MEDIAN_RIPE = "half of the crop ripe"
    YIELD = "yield"
    DAMAGE = "damage"


WAITS = (Measure.FIRST_RIPE, Measure.MEDIAN_RIPE)
"""What is waited for and may never come; the others are amounts."""


@dataclass(frozen=True, slots=True)
class Tree:
    """One tree's season.

    Parameters
    ----------
    name, protection
        What people call it, and how it was protected.
    enclosure
        What it shares with others, heater or cover; None if it stands by itself.
    watched_to
        The last day anybody looked.
    first_ripe, median_ripe
        The days its first fruit, and half of its crop, were ripe; None if never by `watched_to`.
    grams
        [g] harvested; None if not weighed.
    damage
        0 none to 1 dead; None if not noted.
    """

    name: str
    protection: str
    enclosure: str | None
    watched_to: date
    first_ripe: date | None = None
    median_ripe: date | None = None
    grams: float | None = None
    damage: float | None = None


@dataclass(frozen=True, slots=True)
class Unit:
    """What counts as one: a tree, or the trees of one enclosure; waits are days, None where they did not end."""

    protection: str
    shared: bool
    trees: int
    first_ripe_d: float | None
    median_ripe_d: float | None
    watched_d: float
    grams: float | None
    damage: float | None


@dataclass(frozen=True, slots=True)
class Side:
    """One protection in a comparison: what counts as one, of how many trees, and how many never came so far."""

    protection: str
    units: int
    trees: int
    shared: bool
    never: int = 0


@dataclass(frozen=True, slots=True)
class Compared:
    """One protection set against another in one measure.

    Notes
    -----
    `effect` is the first less the second: days [d] (negative is earlier), yield per tree [g], damage 0-1; None where it
    cannot be told. The interval is that of the effect, -inf to inf where so few give none. `p` is None where nothing
    can be compared. `sooner` names the protection that came sooner where some never came.
    """

    measure: Measure
    one: Side
    other: Side
    smallest_p: float = 1.0
    p: float | None = None
    effect: float | None = None
    low: float = -math.inf
    high: float = math.inf
    confidence: float = 1.0
    sooner: str | None = None


def compare(trees: Iterable[Tree]) -> list[Compared]:
    """Return every pair of protections compared in every measure, protections in the order they first come.

    Raises
    ------
    ComparisonError
        If a tree is there twice, what it tells contradicts itself, or the dates span more than a season.
    """
    units = units_of(list(trees))
    groups = {each.protection: [unit for unit in units if unit.protection == each.protection] for each in units}
    return [
        (_waits if measure in WAITS else _amounts)(measure, groups[one], groups[other])
        for one, other in combinations(groups, 2)
        for measure in Measure
    ]


def units_of(trees: Sequence[Tree]) -> list[Unit]:
    """Return what counts as one: each tree by itself, or all of one enclosure and protection together."""
    refuse(trees)
    by_unit: dict[tuple[str, str | None, str], list[Tree]] = {}
    for tree in trees:
        alone = tree.name if tree.enclosure is None else ""
        by_unit.setdefault((tree.protection, tree.enclosure, alone), []).append(tree)
    return [_unit(each) for each in by_unit.values()]


def refuse(trees: Sequence[Tree]) -> None:
    """Refuse trees that contradict themselves or each other, and dates of two seasons."""
    for name, count in Counter(tree.name for tree in trees).items():
        if count > 1:
            raise ComparisonError(f"tree {name!r} is there {count} times; give each tree once per season")
    for tree in trees:
        _refuse_tree(tree)
    days = [tree.watched_to for tree in trees] + [tree.first_ripe for tree in trees if tree.first_ripe is not None]
    if days and (max(days) - min(days)).days > LONGEST_SEASON_D:
        raise ComparisonError(f"dates from {min(days)} to {max(days)} are of two seasons; compare one season at a time")


def _refuse_tree(tree: Tree) -> None:
    told = [day for day in (tree.first_ripe, tree.median_ripe, tree.watched_to) if day is not None]
    if told != sorted(told) or (tree.median_ripe is not None and tree.first_ripe is None):
        days = f"first ripe {tree.first_ripe}, half ripe {tree.median_ripe}, watched to {tree.watched_to}"
        raise ComparisonError(f"tree {tree.name!r}: {days}; the first comes first, and watching ends last")
    if tree.grams is not None and not 0.0 <= tree.grams < math.inf:
        raise ComparisonError(f"tree {tree.name!r}: a yield of {tree.grams:g} g; give 0 or more")
    if tree.damage is not None and not 0.0 <= tree.damage <= 1.0:
        raise ComparisonError(f"tree {tree.name!r}: damage of {tree.damage:g} is outside 0 (none) to 1 (dead)")


def _unit(trees: Sequence[Tree]) -> Unit:
    grams = [tree.grams for tree in trees if tree.grams is not None]
    damage = [tree.damage for tree in trees if tree.damage is not None]
    return Unit(
        trees[0].protection,
        trees[0].enclosure is not None,
        len(trees),
        _half_by([tree.first_ripe for tree in trees], trees),
        _half_by([tree.median_ripe for tree in trees], trees),
        min(float(tree.watched_to.toordinal()) for tree in trees),
        fmean(grams) if grams else None,
        fmean(damage) if damage else None,
    )


def _half_by(ripe: Sequence[date | None], trees: Sequence[Tree]) -> float | None:
    """Return the day by which half of the trees had come so far, or None if they never did."""
    ended = [float(each.toordinal()) for each in ripe if each is not None]
    watched = [float(tree.watched_to.toordinal()) for tree, each in zip(trees, ripe, strict=True) if each is None]
    return median_wait(Waited(ended, watched))


def _side(units: Sequence[Unit], counted: Sequence[Unit], never: int = 0) -> Side:
    shared = any(unit.shared for unit in units)
    return Side(units[0].protection, len(counted), sum(unit.trees for unit in counted), shared, never)


def _waits(measure: Measure, one: Sequence[Unit], other: Sequence[Unit]) -> Compared:
    first, second = (_waited(measure, units) for units in (one, other))
    sides = _side(one, one, len(first.watched)), _side(other, other, len(second.watched))
    if not first.watched and not second.watched:
        return _compared(measure, sides, first.ended, second.ended)
    least, halves = smallest_p(len(first), len(second)), (median_wait(first), median_wait(second))
    effect = None if halves[0] is None or halves[1] is None else halves[0] - halves[1]
    if not first.ended and not second.ended:
        return Compared(measure, *sides, least)
    z = log_rank(first, second)[0]
    sooner = one[0].protection if z > 0.0 else other[0].protection if z < 0.0 else None
    return Compared(measure, *sides, least, exact_log_rank(first, second).p, effect, sooner=sooner)


def _waited(measure: Measure, units: Sequence[Unit]) -> Waited:
    days = [(unit.first_ripe_d if measure is Measure.FIRST_RIPE else unit.median_ripe_d, unit) for unit in units]
    return Waited([day for day, _ in days if day is not None], [unit.watched_d for day, unit in days if day is None])


def _amounts(measure: Measure, one: Sequence[Unit], other: Sequence[Unit]) -> Compared:
    """Compare what was weighed or noted; units without it are left out."""
    told = [[(unit, _amount(measure, unit)) for unit in units] for units in (one, other)]
    first, second = ([value for _, value in each if value is not None] for each in told)
    kept = [[unit for unit, value in each if value is not None] for each in told]
    sides = _side(one, kept[0]), _side(other, kept[1])
    return _compared(measure, sides, first, second) if first and second else Compared(measure, *sides)


def _amount(measure: Measure, unit: Unit) -> float | None:
    return unit.grams if measure is Measure.YIELD else unit.damage


def _compared(measure: Measure, sides: tuple[Side, Side], first: Sequence[float], second: Sequence[float]) -> Compared:
    chance, found = permutation(first, second), shift(first, second)
    return Compared(measure, *sides, chance.smallest_p, chance.p, found.median, found.low, found.high, found.confidence)
