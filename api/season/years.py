"""One season beside earlier ones: what each came to by the same day, and the same plants in two of them. Pure."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from statistics import fmean

from api.season.paired import sign_flip, smallest_p_of_pairs, typical_difference
from api.season.statistics import Shift
from api.season.worth import Measure, Tree


@dataclass(frozen=True, slots=True)
class Froze:
    """Whether a year's freezes are known, and the date of the one in question; None where it never froze."""

    known: bool
    on: date | None = None


@dataclass(frozen=True, slots=True)
class Crop:
    """One crop of all plants: its first ripe fruit, the middle plant's half of it, [kg] and from how many plants."""

    first: date | None
    half: date | None
    kilograms: float | None
    plants: int


@dataclass(frozen=True, slots=True)
class Year:
    """What one season came to.

    Parameters
    ----------
    year, first, through
        Its name, its first day, and the day up to which its sums count.
    last_freeze, first_freeze
        The last freeze of its spring, and the first of its autumn.
    chill, warmth
        Sums by `through`; None where too many days are missing.
    stages
        By code the day on which the first plant was seen at it.
    crops
        By "first" and "main".
    kwh, kwh_whole
        [kWh] by `through`, and of the whole season.
    trees
        By crop, as they are compared.
    """

    year: int
    first: date
    through: date
    last_freeze: Froze
    first_freeze: Froze
    chill: float | None
    warmth: float | None
    stages: Mapping[int, date]
    crops: Mapping[str, Crop]
    kwh: float
    kwh_whole: float
    trees: Mapping[str, Sequence[Tree]]


@dataclass(frozen=True, slots=True)
class Changed:
    """The same plants in two seasons, in one measure of one crop.

    Notes
    -----
    `shift` is this season less the other: days [d] from the season's first day, or [g] a plant. A pair is a plant by
    itself, or an enclosure with all its plants. `smallest_p` is the least that so many pairs could ever give.
    """

    measure: Measure
    crop: str
    pairs: int
    plants: int
    shift: Shift
    p: float
    smallest_p: float


def crop_of(trees: Iterable[Tree]) -> Crop:
    """Return one crop of all plants together."""
    known = list(trees)
    ripe = [each.first_ripe for each in known if each.first_ripe is not None]
    halves = sorted(each.median_ripe for each in known if each.median_ripe is not None)
    grams = [each.grams for each in known if each.grams is not None]
    kilograms = sum(grams) / 1000.0 if grams else None
    half = halves[(len(halves) - 1) // 2] if halves else None
    return Crop(min(ripe, default=None), half, kilograms, len(grams) or len(ripe))


def changes(this: Year, other: Year) -> list[Changed]:
    """Return how the same plants fared in one season and another, where a plant has the measure in both."""
    found = []
    for crop in this.trees:
        for measure in (Measure.FIRST_RIPE, Measure.YIELD):
            pairs = _pairs(this, other, crop, measure)
            if pairs:
                found.append(_changed(measure, crop, pairs))
    return found


def _pairs(this: Year, other: Year, crop: str, measure: Measure) -> list[list[float]]:
    """Return the differences of each pair's plants: of one plant, or of all in one enclosure."""
    before = {tree.name: tree for tree in other.trees.get(crop, ())}
    found: dict[tuple[str | None, str], list[float]] = {}
    for tree in this.trees[crop]:
        was = before.get(tree.name)
        if was is None or was.protection != tree.protection:
            continue
        now, then = _value(tree, this.first, measure), _value(was, other.first, measure)
        if now is not None and then is not None:
            alone = tree.name if tree.enclosure is None else ""
            found.setdefault((tree.enclosure, alone), []).append(now - then)
    return list(found.values())


def _value(tree: Tree, first: date, measure: Measure) -> float | None:
    if measure is Measure.YIELD:
        return tree.grams
    return None if tree.first_ripe is None else float((tree.first_ripe - first).days)


def _changed(measure: Measure, crop: str, pairs: Sequence[Sequence[float]]) -> Changed:
    differences = [fmean(each) for each in pairs]
    return Changed(
        measure,
        crop,
        len(pairs),
        sum(map(len, pairs)),
        typical_difference(differences),
        sign_flip(differences).p,
        smallest_p_of_pairs(len(pairs)),
    )
