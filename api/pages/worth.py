"""What the page that asks whether protection was worth it says."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date

from api.season import worth_words
from api.season.site_worth import Grown
from api.season.statistics import ComparisonError
from api.season.worth import Compared, Measure, Tree, compare
from api.season.worth_cost import NOTHING, per_day, per_kilogram
from api.state import State


@dataclass(frozen=True, slots=True)
class ProtectionShown:
    """One protection's season in figures."""

    name: str
    trees: int
    first: str
    harvest: str
    damage: str
    kwh: str


@dataclass(frozen=True, slots=True)
class WorthShown:
    """The whole page; `fault` says why there is nothing to compare."""

    protections: tuple[ProtectionShown, ...]
    said: tuple[tuple[str, tuple[str, ...]], ...]
    costs: tuple[str, ...]
    cautions: tuple[str, ...]
    fault: str


def worth_shown(state: State, found: Grown) -> WorthShown:
    """Return the comparison as the page has it."""
    if not found.trees:
        return WorthShown((), (), (), (), "No plant has a note of this season yet.")
    shown = tuple(_protection(found, name) for name in dict.fromkeys(each.protection for each in found.trees))
    try:
        compared = compare(found.trees)
    except ComparisonError as fault:
        return WorthShown(shown, (), (), (), f"{str(fault)[:1].upper()}{str(fault)[1:]}.")
    if not compared:
        return WorthShown(shown, (), (), (), "All plants were protected alike, so there is nothing to compare.")
    said = tuple(
        (measure.value, tuple(worth_words.sentence(each) for each in compared if each.measure is measure))
        for measure in Measure
        if any(each.measure is measure and each.p is not None for each in compared)
    )
    return WorthShown(shown, said, tuple(_costs(state, found, compared)), tuple(worth_words.cautions(compared)), "")


def _costs(state: State, found: Grown, compared: list[Compared]) -> Iterator[str]:
    currency = state.settings.site.currency
    believed = {
        frozenset((each.one.protection, each.other.protection)): worth_words.is_believed(each)
        for each in compared
        if each.measure is Measure.FIRST_RIPE
    }
    for price in per_day(compared, found.used):
        pair = frozenset((price.dearer, price.other))
        yield worth_words.per_day_sentence(price, currency, believed=believed[pair])
    for weighed in per_kilogram(found.trees, found.used):
        yield worth_words.per_kilogram_sentence(weighed, currency)


def _protection(found: Grown, name: str) -> ProtectionShown:
    trees = [each for each in found.trees if each.protection == name]
    ripe = [each.first_ripe for each in trees if each.first_ripe is not None]
    damage = [each.damage for each in trees if each.damage is not None]
    used = found.used.get(name, NOTHING)
    return ProtectionShown(
        name,
        len(trees),
        _first(ripe, len(trees)),
        _harvest(trees),
        f"{sum(damage) / len(damage):.0%}" if damage else "—",
        f"{used.kwh:.0f}" if used.kwh else "—",
    )


def _first(ripe: list[date], trees: int) -> str:
    if not ripe:
        return "never"
    day = f"{min(ripe).day} {min(ripe):%B}"
    return day if len(ripe) == trees else f"{day}, {trees - len(ripe)} never"


def _harvest(trees: list[Tree]) -> str:
    weighed = [each.grams for each in trees if each.grams is not None]
    return f"{sum(weighed) / 1000:.1f} kg" if weighed else "—"
