"""What the page that asks whether protection was worth it says."""

import math
from collections.abc import Iterator
from dataclasses import dataclass

from api.pages import words
from api.season import worth_words
from api.season.site_plants import today
from api.season.site_worth import Grown
from api.season.statistics import ComparisonError
from api.season.worth import Compared, Measure, Side, Tree, compare
from api.season.worth_cost import NOTHING, per_day, per_kilogram
from api.state import State
from controller.units import percent


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
class ComparedShown:
    """One comparison at a glance: who and how many, the difference and what it leaves open, and what follows."""

    pair: str
    of: str
    difference: str
    allows: str
    so: str
    chance: str


@dataclass(frozen=True, slots=True)
class WorthShown:
    """The whole page; `fault` says why there is nothing to compare, `said` has each comparison in a sentence."""

    protections: tuple[ProtectionShown, ...] = ()
    verdict: str = ""
    compared: tuple[tuple[str, tuple[ComparedShown, ...]], ...] = ()
    said: tuple[str, ...] = ()
    costs: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    fault: str = ""


def worth_shown(state: State, found: Grown) -> WorthShown:
    """Return the comparison as the page has it."""
    if not found.trees:
        return WorthShown(fault="No plant has a note of this season yet.")
    is_over = found.season.last < today(state)
    shown = tuple(_protection(found, name, is_over) for name in dict.fromkeys(each.protection for each in found.trees))
    try:
        compared = compare(found.trees)
    except ComparisonError as fault:
        return WorthShown(shown, fault=f"{words.capital(str(fault))}.")
    if not compared:
        return WorthShown(shown, fault="All plants were protected alike, so there is nothing to compare.")
    told = [each for each in compared if each.p is not None]
    tables = tuple(
        (measure.value, tuple(_compared(each) for each in told if each.measure is measure))
        for measure in Measure
        if any(each.measure is measure for each in told)
    )
    return WorthShown(
        shown,
        worth_words.verdict(compared),
        tables,
        tuple(worth_words.sentence(each) for each in told),
        tuple(_costs(state, found, compared)),
        tuple(worth_words.cautions(compared, is_split=found.is_split)),
    )


def _compared(each: Compared) -> ComparedShown:
    sides = (each.one, each.other)
    if each.effect is None:
        difference = f"{each.sooner} sooner" if each.sooner else "neither sooner"
    else:
        difference = worth_words.size_said(each.measure, each.effect)
    so = "more than chance" if worth_words.is_believed(each) else "may be chance"
    return ComparedShown(
        " against ".join(side.protection for side in sides),
        " against ".join(_units(side) for side in sides),
        difference,
        _allows(each),
        "can show nothing" if each.smallest_p > worth_words.RARE else so,
        f"by chance {_percent(each.p or 0.0)}, rarest {_percent(each.smallest_p)}",
    )


def _percent(chance: float) -> str:
    if chance >= 0.1:
        return percent(chance)
    return percent(chance, 1) if chance >= 0.0015 else "under 0.2 %"


def _units(side: Side) -> str:
    return worth_words.counted(side.units, "enclosure" if side.shared else "tree")


def _allows(each: Compared) -> str:
    if each.one.never or each.other.never:
        late = [f"{side.never} of {side.units} {side.protection}" for side in (each.one, each.other) if side.never]
        return f"not while watched: {', '.join(late)}"
    if not math.isfinite(each.low):
        return "give or take any amount"
    low, high = (worth_words.size_said(each.measure, bound) for bound in (each.low, each.high))
    return f"from {low} to {high}, {percent(each.confidence)} sure"


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
    for weighed in per_kilogram(found.harvested, found.used):
        yield worth_words.per_kilogram_sentence(weighed, currency)


def _protection(found: Grown, name: str, is_over: bool) -> ProtectionShown:
    trees = [each for each in found.trees if each.protection == name]
    damage = [each.damage for each in trees if each.damage is not None]
    used = found.used.get(name, NOTHING)
    return ProtectionShown(
        name,
        len(trees),
        _first(trees, is_over),
        _harvest(trees),
        percent(sum(damage) / len(damage)) if damage else "—",
        f"{used.kwh:.0f}" if used.kwh else "—",
    )


def _first(trees: list[Tree], is_over: bool) -> str:
    """Say when the first fruit was ripe, and of how many plants there was none: never where somebody noted so."""
    ripe = [each.first_ripe for each in trees if each.first_ripe is not None]
    never = sum(each.first_ripe is None and each.grams == 0.0 for each in trees)
    rest = len(trees) - len(ripe) - never
    said = [f"{min(ripe).day} {min(ripe):%b}"] if ripe else []
    for count, word in ((never, "never"), (rest, "none noted" if is_over else "not yet")):
        if count:
            said.append(word if count == len(trees) else f"{count} {word}")
    return ", ".join(said)


def _harvest(trees: list[Tree]) -> str:
    weighed = [each.grams for each in trees if each.grams is not None]
    return f"{sum(weighed) / 1000:.1f} kg" if weighed else "—"
