"""The season's report in the reader's words, and its two drawings as SVG paths."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from api.pages import words
from api.pages.frame import Tick
from api.pages.plants import PhotographShown, photographs_shown
from api.pages.words import Unit
from api.season.daily import Daily, Day
from api.season.report import Frost, Heat, Report, Seen
from api.state import State

WIDTH, HEIGHT, LEFT, FOOT = 480.0, 200.0, 44.0, 26.0
MOST_FROSTS = 40
MOST_PICTURES = 24
SPRING_DAYS = 212
"""[d] of a season within which a frost is one of its spring: to the end of July, in the south to that of January."""


@dataclass(frozen=True, slots=True)
class Drawing:
    """A band between each day's lowest and highest, with its scales; empty where nothing was measured."""

    band: str
    frost: float | None
    degrees: tuple[Tick, ...]
    months: tuple[Tick, ...]
    spoken: str


@dataclass(frozen=True, slots=True)
class BarShown:
    """One month of heat: its name, a bar of at most 100, kWh, hours and runs."""

    month: str
    bar: float
    kwh: str
    on: str
    runs: int


@dataclass(frozen=True, slots=True)
class StageRow:
    """One stage of the season: day and plant of the first that had it, and of the last; of how many plants."""

    words: str
    first: tuple[str, str]
    last: tuple[str, str] | None
    plants: int


@dataclass(frozen=True, slots=True)
class ReportShown:
    """Everything the template lays out."""

    weather: str
    drawing: Drawing
    heat: tuple[tuple[str, str, tuple[BarShown, ...]], ...]
    frosts: tuple[tuple[str, str, str], ...]
    frosts_more: int
    stages: tuple[StageRow, ...]
    pictures: tuple[tuple[str, PhotographShown], ...]
    pictures_more: int
    trips: tuple[tuple[str, str, str], ...]


def report_shown(state: State, found: Report, unit: Unit) -> ReportShown:
    """Return the report as the page has it."""
    site, now_ms = state.settings.site, state.clock.now().utc_ms
    frosts = [_frost(each, unit) for each in found.frosts]
    pictures = [
        (f"{each.plant.name}, {_day(date.fromisoformat(each.note.day))}", one)
        for each in found.pictured
        for one in photographs_shown(each.plant, each.note, each.photographs, date.max)
    ]
    most = max((month.kwh for each in found.heat for month in each.months), default=0.0)
    return ReportShown(
        _weather(found, unit),
        drawing(found.days, found.season.first, found.season.last, unit),
        tuple((each.enclosure, _total(each, state), _bars(each, most)) for each in found.heat if each.kwh > 0),
        tuple(frosts[:MOST_FROSTS]),
        max(0, len(frosts) - MOST_FROSTS),
        _stages(found.stages),
        tuple(pictures[:MOST_PICTURES]),
        max(0, len(pictures) - MOST_PICTURES),
        tuple(
            (words.moment(each.at_ms, now_ms, site.zone), each.enclosure, words.sentence(each.detail, unit))
            for each in found.trips
        ),
    )


def _weather(found: Report, unit: Unit) -> str:
    known = [] if found.days is None else [day for day in found.days.days.values() if day.tmin_c is not None]
    if not known:
        return "Nothing was measured outside in this season."
    coldest = min(known, key=lambda day: day.tmin_c or 0.0)
    frosts = len(found.frosts)
    spring = [each.on for each in found.frosts if each.on < found.season.first + timedelta(days=SPRING_DAYS)]
    last = f" The last of the spring was on {_day(max(spring))}." if spring else ""
    count = "It never froze" if not frosts else f"It froze on {frosts} day{'s' if frosts != 1 else ''}"
    lowest = words.temperature_said(coldest.tmin_c, unit)
    return f"{len(known)} days were measured. {count}; the coldest was {lowest} on {_day(coldest.on)}.{last}"


def _total(heat: Heat, state: State) -> str:
    site = state.settings.site
    cost = f", {heat.kwh * site.price_per_kwh:.2f} {site.currency}" if site.price_per_kwh else ""
    hours = sum(each.on_h for each in heat.months)
    runs = sum(each.runs for each in heat.months)
    count = "one run" if runs == 1 else f"{runs} runs"
    return f"{heat.kwh:.0f} kWh{cost}, {hours:.0f} h on, {count}."


def _bars(heat: Heat, most: float) -> tuple[BarShown, ...]:
    return tuple(
        BarShown(f"{each.first:%B}", 100 * each.kwh / most, f"{each.kwh:.1f}", f"{each.on_h:.0f} h", each.runs)
        for each in heat.months
        if each.on_h > 0 and most > 0
    )


def _stages(seen: Sequence[Seen]) -> tuple[StageRow, ...]:
    """Return each stage once, in the order in which they first came."""
    by_words: dict[str, list[Seen]] = {}
    for each in seen:
        by_words.setdefault(each.words, []).append(each)
    return tuple(
        StageRow(
            words,
            (_day(each[0].on), each[0].plant),
            None if len(each) == 1 else (_day(each[-1].on), each[-1].plant),
            len(each),
        )
        for words, each in by_words.items()
    )


def _frost(frost: Frost, unit: Unit) -> tuple[str, str, str]:
    inside = ", ".join(f"{name} {words.temperature_said(value, unit)}" for name, value in frost.inside_c.items())
    return _day(frost.on), words.temperature_said(frost.outside_c, unit), inside or "—"


def _day(on: date) -> str:
    return f"{on.day} {on:%B}"


def drawing(days: Daily | None, first: date, last: date, unit: Unit) -> Drawing:
    """Draw the band between each day's lowest and highest; a missing day is a gap."""
    known = [] if days is None else [day for day in days.days.values() if day.tmin_c is not None]
    if not known:
        return Drawing("", None, (), (), "Nothing was measured outside.")
    lows = [day.tmin_c for day in known if day.tmin_c is not None]
    highs = [day.tmax_c for day in known if day.tmax_c is not None] or lows
    least, most = min(*lows, 0.0) - 1.0, max(*highs, 10.0) + 1.0
    # Only what was measured, a month at least: a spring on record is not to be a sliver of a year.
    first = max(first, min(known[0].on, known[-1].on - timedelta(days=30)))
    last = min(last, max(known[-1].on, first + timedelta(days=30)))
    whole = max((last - first).days, 1)

    def x(on: date) -> float:
        return LEFT + (on - first).days / whole * (WIDTH - LEFT - 6)

    def y(value_c: float) -> float:
        return 8 + (most - value_c) / (most - least) * (HEIGHT - FOOT - 8)

    path = "".join(
        f"M{x(day.on):.1f} {y(low):.1f}V{y(_high(day, low)):.1f}" for day, low in zip(known, lows, strict=True)
    )
    months = tuple(Tick(x(each), f"{each:%b}") for each in _months(first, last) if each >= first)
    span = f"from {words.temperature_said(min(lows), unit)} to {words.temperature_said(max(highs), unit)}"
    return Drawing(
        path, y(0.0), _degrees(least, most, unit, y), months, f"Each day's lowest and highest outside, {span}"
    )


def _high(day: Day, low_c: float) -> float:
    return low_c if day.tmax_c is None else day.tmax_c


def _months(first: date, last: date) -> list[date]:
    found, on = [], first.replace(day=1)
    while on <= last:
        found.append(on)
        on = date(on.year + on.month // 12, on.month % 12 + 1, 1)
    return found


def _degrees(least: float, most: float, unit: Unit, y: Callable[[float], float]) -> tuple[Tick, ...]:
    step = 10 if unit is Unit.C else 20
    low, high = unit.shown(least), unit.shown(most)
    values = range(int(-(-low // step)) * step, int(high) + 1, step)
    per_degree = (most - least) / (high - low)
    return tuple(Tick(y(least + (value - low) * per_degree), words.number(value, 0)) for value in values)
