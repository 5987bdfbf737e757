"""This season beside earlier ones, in the reader's words: one sentence, one table, and the same plants in two."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date

from api.pages.plants import CROPS
from api.season import chill, heat_units, worth_words
from api.season.bbch import Scale, codes
from api.season.years import Crop, Froze, Year, changes
from api.state import State
from controller.units import percent

ALIKE = 0.02
"""Part by which two sums may differ and still be called alike."""
LEAFLESS = 93
"""BBCH code from which a stage ends a season, and is no step of it."""
NONE = ("—", "")
Value = tuple[str, str]


@dataclass(frozen=True, slots=True)
class RowShown:
    """One line of the table: what, a remark, and of each season a figure with a remark."""

    what: str
    note: str
    values: tuple[Value, ...]


@dataclass(frozen=True, slots=True)
class YearsShown:
    """The whole section."""

    title: str
    verdict: str
    caption: str
    heads: tuple[str, ...]
    rows: tuple[RowShown, ...]
    pairs: tuple[str, ...]


def years_shown(state: State, found: list[Year]) -> YearsShown:
    """Return seasons side by side as the page has them, the newest first."""
    this = found[0]
    rows = tuple(row for row in _rows(state, found) if any(value != NONE for value in row.values))
    pairs: tuple[str, ...] = ()
    if len(found) > 1:
        pairs = tuple(worth_words.changed_sentence(each, found[1].year) for each in changes(this, found[1]))
    return YearsShown(
        "This year against last" if len(found) > 1 else "This year",
        _verdict(found),
        f"Sums up to {_day(this.through)} of each year, so that they can be compared",
        tuple(_named(each) for each in found),
        rows,
        pairs,
    )


def _verdict(found: list[Year]) -> str:
    if len(found) == 1:
        return "No earlier season is on record to set beside this one; next year this one will be."
    this, last = found[:2]
    said = [each for each in _clauses(this, last) if each]
    if not said:
        return f"Of {last.year} nothing is on record that could be set beside this season yet."
    told = f"{', '.join(said[:-1])} and {said[-1]}" if len(said) > 1 else said[0]
    return f"Against {last.year}: {told}."


def _clauses(this: Year, last: Year) -> Iterator[str]:
    if this.last_freeze.on is not None and last.last_freeze.on is not None:
        yield f"the last freeze of spring came {_days(_apart(this, last, lambda each: each.last_freeze.on))}"
    for name, one, other in (("cold", this.chill, last.chill), ("warmth", this.warmth, last.warmth)):
        if one is not None and other:
            part = one / other - 1.0
            more = "more" if part > 0 else "less"
            yield f"as much {name}" if abs(part) < ALIKE else f"{percent(abs(part))} {more} {name}"
    for crop, words in CROPS.items():
        days = _apart(this, last, _first_of(crop))
        if days is not None:
            yield f"the {words.partition(',')[0]} began {_days(days)}"
    if this.kwh > 0.0 and last.kwh > 0.0:
        yield f"heating took {abs(this.kwh - last.kwh):.0f} kWh {'more' if this.kwh > last.kwh else 'less'}"


def _first_of(crop: str) -> Callable[[Year], date | None]:
    return lambda each: each.crops[crop].first


def _apart(this: Year, last: Year, of: Callable[[Year], date | None]) -> int | None:
    """Return how many days later in its season something was."""
    one, other = of(this), of(last)
    if one is None or other is None:
        return None
    return (one - this.first).days - (other - last.first).days


def _days(later: int | None) -> str:
    if not later:
        return "on the same day"
    return f"{abs(later)} day{'' if abs(later) == 1 else 's'} {'later' if later > 0 else 'earlier'}"


def _rows(state: State, found: list[Year]) -> Iterator[RowShown]:
    asked = state.settings.season
    yield _row("Last freeze of spring", "", found, lambda each: _froze(each.last_freeze))
    yield _row("First freeze of autumn", "", found, lambda each: _froze(each.first_freeze))
    yield _row("Cold", f"{_unit(chill.METHODS[asked.chill].unit)}, winter", found, lambda each: _sum(each.chill))
    yield _row("Warmth", _unit(heat_units.METHODS[asked.warmth].unit), found, lambda each: _sum(each.warmth))
    seen = sorted({code for each in found[:2] for code in each.stages if 0 < code < LEAFLESS})
    named = {**codes(Scale.GENERAL), **codes(Scale.FIG)}
    for code in seen:
        yield RowShown(named[code].capitalize(), "first plant", tuple(_on(each.stages.get(code)) for each in found))
    for crop, words in CROPS.items():
        crops, name = [each.crops[crop] for each in found], words.partition(",")[0]
        yield RowShown(f"{name.capitalize()}, first ripe", "", tuple(_on(each.first) for each in crops))
        yield RowShown("Half of it ripe", name, tuple(_on(each.half) for each in crops))
        yield RowShown("Harvest, kg", name, tuple(_kilograms(each) for each in crops))
    yield _row("Heating, kWh", "", found, lambda each: _kwh(each, 1.0))
    if price := state.settings.site.price_per_kwh:
        yield _row(f"Its cost, {state.settings.site.currency}", "", found, lambda each: _kwh(each, price))


def _row(what: str, note: str, found: list[Year], of: Callable[[Year], Value]) -> RowShown:
    return RowShown(what, note, tuple(of(each) for each in found))


def _froze(found: Froze) -> Value:
    if not found.known:
        return NONE
    return _on(found.on) if found.on is not None else ("none", "")


def _on(day: date | None) -> Value:
    return NONE if day is None else (_day(day), "")


def _day(day: date) -> str:
    return f"{day.day} {day:%b}"


def _sum(total: float | None) -> Value:
    return NONE if total is None else (f"{total:.0f}", "")


def _unit(unit: str) -> str:
    return unit.replace("Cel", "°C")


def _kilograms(crop: Crop) -> Value:
    if crop.kilograms is None:
        return NONE
    return f"{crop.kilograms:.1f}", f"of {crop.plants} plant{'' if crop.plants == 1 else 's'}"


def _kwh(each: Year, price: float) -> Value:
    if each.kwh_whole <= 0.0:
        return NONE
    whole = f"{each.kwh_whole * price:.0f} in all" if each.kwh_whole - each.kwh > 0.5 else ""
    return f"{each.kwh * price:.0f}", whole


def _named(each: Year) -> str:
    return str(each.year) if each.first.month == 1 else f"{each.year}/{each.year % 100 + 1:02d}"
