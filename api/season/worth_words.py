"""What a comparison says, in a grower's words: what can and what cannot be concluded."""

import math
from collections.abc import Sequence

from api.season.worth import WAITS, Compared, Measure, Side
from api.season.worth_cost import PerDay, PerKilogram
from api.season.years import Changed
from controller.units import percent

RARE = 0.05
"""Chance below which a difference is believed. Source: common practice in the field."""

NOT_SHUFFLED = (
    "No lot decided which tree got which protection, so a warmer corner or a stronger tree could be the reason as well."
)


def sentence(found: Compared) -> str:
    """Return what one comparison says: who, how many, how much, how sure, and what follows."""
    if found.p is None:
        return f"{_who(found)}: {_nothing(found)}"
    return f"{_who(found)}: {_effect(found)}. {_chance(found)} {_so(found)}"


def changed_sentence(found: Changed, other: int) -> str:
    """Return what one season against another says of the same plants."""
    crop = "first crop" if found.crop == "first" else "main crop"
    plants = counted(found.plants, "plant")
    shared = (
        f", {counted(found.pairs, 'pair')} as plants of one enclosure count once" if found.pairs < found.plants else ""
    )
    so = f"{size_said(found.measure, found.shift.median)} than in {other}"
    if found.shift.median == 0.0:
        so = f"no difference from {other}"
    title = found.measure.value
    least = f"the rarest that so few could ever show is {often_said(found.smallest_p)}"
    said = f"{title[0].upper()}{title[1:]}, {crop}, the same {plants} in both{shared}: {so}{_span(found)}."
    chance = f"If the seasons were alike, chance would part them as far {often_said(found.p)}; {least}."
    if found.smallest_p > RARE:
        return f"{said} {chance} So nothing can be concluded: it takes at least six pairs."
    return f"{said} {chance} So {'the season made a difference' if found.p <= RARE else 'this may well be chance'}."


def _span(found: Changed) -> str:
    if not math.isfinite(found.shift.low):
        return ", with so few give or take any amount"
    low, high = size_said(found.measure, found.shift.low), size_said(found.measure, found.shift.high)
    return f"; these plants allow anything from {low} to {high} ({percent(found.shift.confidence)} sure)"


def per_day_sentence(price: PerDay, currency: str, *, believed: bool) -> str:
    """Return what a day gained cost; `believed` tells whether the days are more than chance."""
    more = f"{price.dearer} used {_kwh(price.more.kwh)} ({price.more.cost:.2f} {currency}) more than {price.other}"
    if price.gained_d is None:
        return f"{more}; how many days that gained cannot be told."
    if price.per_day is None:
        return f"{more} and gained no day."
    doubt = "" if believed else " These days may be chance, and then the price means nothing."
    each = f"{_kwh(price.per_day.kwh)} ({price.per_day.cost:.2f} {currency}) for each"
    return f"{more} and gained {_days(price.gained_d)}: {each}.{doubt}"


def per_kilogram_sentence(price: PerKilogram, currency: str) -> str:
    """Return what a kilogram cost."""
    total = f"{price.protection}: {_kwh(price.used.kwh)} ({price.used.cost:.2f} {currency})"
    if price.per_kilogram is None:
        return f"{total}, and no fruit was weighed."
    each = f"{_kwh(price.per_kilogram.kwh)} ({price.per_kilogram.cost:.2f} {currency}) for each"
    return f"{total} for {_three(price.kilograms)} kg of both crops: {each}."


def verdict(found: Sequence[Compared]) -> str:
    """Return what all comparisons come to, in one sentence."""
    told = [each for each in found if each.p is not None]
    believed = [each for each in told if is_believed(each)]
    if not told:
        return "Nothing can be compared: nothing was noted on both sides."
    if believed:
        return f"More than chance: {'; '.join(_short(each) for each in believed)}."
    if all(each.smallest_p > RARE for each in told):
        return "Nothing can be concluded: so few could show nothing, whatever they did."
    return "All differences may be chance."


def _short(found: Compared) -> str:
    against = f"under {found.one.protection} than under {found.other.protection}"
    if found.effect is None:
        return f"{found.measure.value} came sooner under {found.sooner}"
    return f"{found.measure.value} {size_said(found.measure, found.effect)} {against}"


def cautions(found: Sequence[Compared], *, is_split: bool = False) -> list[str]:
    """Return what holds for all comparisons together; `is_split` where one enclosure held several protections."""
    told = sum(each.p is not None for each in found)
    said = [NOT_SHUFFLED] if told else []
    if any(side.shared and side.trees > side.units for each in found for side in (each.one, each.other)):
        said.append("Trees that share a heater or a cover share its luck, so each enclosure counts once.")
    if is_split:
        said.append("Where one enclosure held several protections, its electricity is shared out among its plants.")
    if told > 1:
        said.append(f"There are {told} comparisons here: of twenty, one looks like more than chance by chance alone.")
    if any(side.never for each in found for side in (each.one, each.other)):
        said.append("Fruit that never ripened counts as later than the last day watched; that asks for equal watching.")
    return said


def is_believed(found: Compared) -> bool:
    """Tell whether a difference is more than chance would often make."""
    return found.p is not None and found.p <= RARE


def _who(found: Compared) -> str:
    title = found.measure.value
    return f"{title[0].upper()}{title[1:]}, {_side(found.one)} against {_side(found.other)}"


def _side(side: Side) -> str:
    if not side.shared:
        return f"{side.protection} ({counted(side.units, 'tree')})"
    if side.units == side.trees:
        return f"{side.protection} ({counted(side.units, 'enclosure')} of one tree)"
    return f"{side.protection} ({counted(side.units, 'enclosure')}, {counted(side.trees, 'tree')})"


def _nothing(found: Compared) -> str:
    if found.measure in WAITS:
        return "none of them came so far while watched, so there is nothing to compare."
    return "not noted on both sides, so there is nothing to compare."


def _effect(found: Compared) -> str:
    never = [
        f"{side.never} of {side.units} under {side.protection} never" for side in (found.one, found.other) if side.never
    ]
    ends = f" ({', '.join(never)})" if never else ""
    if found.effect is None:
        sooner = f"{found.sooner} came sooner" if found.sooner else "neither came sooner"
        return f"{sooner}, by days that cannot be counted where fewer than half ever came so far{ends}"
    if found.effect == 0.0:
        return f"no difference between them{_range(found)}{ends}"
    return f"{found.one.protection} {size_said(found.measure, found.effect)}{_range(found)}{ends}"


def _range(found: Compared) -> str:
    if found.one.never or found.other.never:
        return ", counted where half had come so far"
    if not math.isfinite(found.low):
        return ", with so few give or take any amount"
    low, high = size_said(found.measure, found.low), size_said(found.measure, found.high)
    return f"; these trees allow anything from {low} to {high} ({percent(found.confidence)} sure)"


def _chance(found: Compared) -> str:
    least = f"the rarest that so few could ever show is {often_said(found.smallest_p)}"
    return f"If protection made no difference, chance would part them as far {often_said(found.p or 0.0)}; {least}."


def _so(found: Compared) -> str:
    if found.smallest_p > RARE:
        return f"So nothing can be concluded, whatever the trees do: {_wanted(found)}."
    if not is_believed(found):
        return "So this may well be chance; that does not show that they are alike."
    return "So more than chance parted them this season; whether it will again, another season must show."


def _wanted(found: Compared) -> str:
    thing = "enclosures" if found.one.shared or found.other.shared else "trees"
    return f"it takes at least four {thing} on each side, or three against five"


def often_said(p: float) -> str:
    """Say a chance as times in 100 or 1000."""
    if p >= 1.0:
        return "every time"
    if p >= 0.1:
        return f"{100.0 * p:.0f} times in 100"
    return f"{1000.0 * p:.0f} times in 1000" if p >= 0.0015 else "less than 2 times in 1000"


def size_said(measure: Measure, effect: float) -> str:
    """Say a difference in its measure."""
    if effect == 0.0:
        return "no difference"
    if measure in WAITS:
        return f"{_days(abs(effect))} {'earlier' if effect < 0.0 else 'later'}"
    word = "less" if effect < 0.0 else "more"
    if measure is Measure.YIELD:
        return f"{abs(effect):.0f} g a tree {word}"
    return f"{percent(abs(effect))} of the shoots {word}"


def _kwh(kwh: float) -> str:
    return f"{_three(kwh)} kWh"


def _three(value: float) -> str:
    """Write three digits that count, and every one before the point."""
    return f"{value:.0f}" if value >= 100.0 else f"{value:.3g}"


def _days(count: float) -> str:
    return counted(count, "day")


def counted(number: float, thing: str) -> str:
    """Say how many."""
    shown = round(number, 1)
    return f"{shown:g} {thing}{'' if shown == 1 else 's'}"
