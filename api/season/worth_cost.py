"""What a day gained and a kilogram cost in electricity."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from api.season.statistics import ComparisonError
from api.season.worth import Compared, Measure, Tree


@dataclass(frozen=True, slots=True)
class Used:
    """What a protection used in the season: electricity [kWh] and its cost in the site's money."""

    kwh: float
    cost: float


NOTHING = Used(0.0, 0.0)


@dataclass(frozen=True, slots=True)
class PerDay:
    """What the protection that used more cost beyond the other, and for each day its first fruit was earlier.

    Notes
    -----
    `gained_d` [d] is None where it cannot be told; the figures per day are None unless it is above 0.
    """

    dearer: str
    other: str
    more: Used
    gained_d: float | None
    per_day: Used | None


@dataclass(frozen=True, slots=True)
class PerKilogram:
    """What a protection's whole harvest weighed [kg] and cost for each kilogram; None where nothing was weighed."""

    protection: str
    used: Used
    kilograms: float
    per_kilogram: Used | None


def per_day(compared: Sequence[Compared], used: Mapping[str, Used]) -> list[PerDay]:
    """Return the price of earliness for each pair of protections of which one used more electricity."""
    _refuse(used)
    found = []
    for each in compared:
        if each.measure is not Measure.FIRST_RIPE:
            continue
        one, other = (used.get(side.protection, NOTHING) for side in (each.one, each.other))
        gained_d = None if each.effect is None else -each.effect
        if one.kwh > other.kwh:
            found.append(_per_day(each.one.protection, each.other.protection, one, other, gained_d))
        elif other.kwh > one.kwh:
            turned_d = None if gained_d is None else -gained_d
            found.append(_per_day(each.other.protection, each.one.protection, other, one, turned_d))
    return found


def per_kilogram(trees: Iterable[Tree], used: Mapping[str, Used]) -> list[PerKilogram]:
    """Return the price of a kilogram under each protection that used electricity."""
    _refuse(used)
    weighed: dict[str, float] = {}
    for tree in trees:
        weighed[tree.protection] = weighed.get(tree.protection, 0.0) + (tree.grams or 0.0) / 1000.0
    return [
        PerKilogram(name, used[name], weight_kg, _share(used[name], weight_kg))
        for name, weight_kg in weighed.items()
        if used.get(name, NOTHING).kwh > 0.0
    ]


def _per_day(dearer: str, other: str, its: Used, others: Used, gained_d: float | None) -> PerDay:
    more = Used(its.kwh - others.kwh, its.cost - others.cost)
    return PerDay(dearer, other, more, gained_d, _share(more, gained_d or 0.0))


def _share(used: Used, parts: float) -> Used | None:
    return Used(used.kwh / parts, used.cost / parts) if parts > 0.0 else None


def _refuse(used: Mapping[str, Used]) -> None:
    for name, each in used.items():
        if not (0.0 <= each.kwh < float("inf") and 0.0 <= each.cost < float("inf")):
            raise ComparisonError(f"{name}: {each.kwh:g} kWh at a cost of {each.cost:g}; give 0 or more of each")
