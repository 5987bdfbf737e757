"""One season as its report tells it: weather, heat, stages, photographs, frosts met, harvests, trips."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from api.season import bbch
from api.season.daily import Daily
from api.season.hours import date_at, midnight_ms
from api.season.photographs import Photograph
from api.season.plant_notes import Note
from api.season.plants import Kept, Plant
from api.season.site_days import own_days
from api.season.site_night import outdoors
from api.season.site_plants import all_known, all_photographs
from api.season.site_worth import Season
from api.state import State
from controller.enclosure_settings import Enclosure
from controller.errors import StoreError
from controller.probe import Quantity
from controller.store import journal, reading_back, use
from controller.store.damage import DamagedError, is_damage

FROST_C = 0.0
MOST_FROSTS = 400


@dataclass(frozen=True, slots=True)
class Month:
    """One month of heat in one enclosure: kWh, hours on, and runs."""

    first: date
    kwh: float
    on_h: float
    runs: int


@dataclass(frozen=True, slots=True)
class Heat:
    """One enclosure's heat over the season, by month."""

    enclosure: str
    months: tuple[Month, ...]

    @property
    def kwh(self) -> float:
        """The season's electricity [kWh]."""
        return sum(each.kwh for each in self.months)


@dataclass(frozen=True, slots=True)
class Frost:
    """One day on which it froze outside: the lowest outside [Cel], and in each enclosure's air where measured."""

    on: date
    outside_c: float
    inside_c: dict[str, float]


@dataclass(frozen=True, slots=True)
class Seen:
    """A stage as it was seen on a plant for the first time this season."""

    on: date
    plant: str
    code: int
    words: str


@dataclass(frozen=True, slots=True)
class Pictured:
    """A note of the season that has photographs."""

    plant: Plant
    note: Note
    photographs: tuple[Kept[Photograph], ...]


@dataclass(frozen=True, slots=True)
class Trip:
    """A trip of the season."""

    at_ms: int
    enclosure: str
    detail: str


@dataclass(frozen=True, slots=True)
class Report:
    """Everything the report shows but the comparison, which is `site_worth`."""

    season: Season
    days: Daily | None
    heat: tuple[Heat, ...]
    frosts: tuple[Frost, ...]
    stages: tuple[Seen, ...]
    pictured: tuple[Pictured, ...]
    trips: tuple[Trip, ...]


def report(state: State, season: Season) -> Report:
    """Return a season's report; parts of which nothing is on record are empty."""
    place = outdoors(state.settings)
    try:
        days = None if place is None else _within(own_days(state, place), season)
        heat = tuple(_heat(state, each, season) for each in state.settings.enclosure)
        frosts = () if days is None else tuple(_frosts(state, days, season))
    except StoreError as error:
        if is_damage(error):
            raise  # that nothing was measured would be a guess
        days, heat, frosts = None, (), ()
    noted = _noted(state, season)
    stages, trips = tuple(_stages(noted)), tuple(_trips(state, season))
    return Report(season, days, heat, frosts, stages, tuple(_pictured(state, noted)), trips)


def _within(days: Daily, season: Season) -> Daily:
    return Daily(days.place, {on: day for on, day in days.days.items() if season.first <= on <= season.last})


def _heat(state: State, enclosure: Enclosure, season: Season) -> Heat:
    zone, now_ms = state.settings.site.zone, state.clock.now().utc_ms
    start_ms, end_ms = midnight_ms(season.first, zone), midnight_ms(season.last + timedelta(days=1), zone)
    with state.reading("readings.db") as record:
        found = use.summary(record, enclosure.name, start_ms, end_ms, "day", zone, now_ms)
    months: dict[date, list[use.HeaterUse]] = {}
    for each in found:
        months.setdefault(date_at(each.start_ms, zone).replace(day=1), []).append(each)
    return Heat(
        enclosure.name,
        tuple(
            Month(first, sum(e.energy_kwh for e in each), sum(e.on_s for e in each) / 3600, sum(e.cycles for e in each))
            for first, each in sorted(months.items())
        ),
    )


def _frosts(state: State, days: Daily, season: Season) -> list[Frost]:
    """Return the days it froze, with what the air inside came to on the same days."""
    frozen = {on: day.tmin_c for on, day in days.days.items() if day.tmin_c is not None and day.tmin_c <= FROST_C}
    inside: dict[date, dict[str, float]] = {on: {} for on in frozen}
    zone = state.settings.site.zone
    with state.reading("readings.db") as record:
        for enclosure in state.settings.enclosure:
            for probe in enclosure.of(Quantity.AIR)[:1]:
                rows = reading_back.hours(record, enclosure.name, probe.name, midnight_ms(season.first, zone))
                starts_ms, least_c = np.array([row[0] for row in rows]), np.array([row[1] for row in rows])
                for on, said in inside.items():
                    day_ms = midnight_ms(on, zone), midnight_ms(on + timedelta(days=1), zone)
                    one, other = np.searchsorted(starts_ms, day_ms)
                    if other > one:
                        said[enclosure.name] = float(least_c[one:other].min())
    return [Frost(on, lowest_c, inside[on]) for on, lowest_c in frozen.items()][:MOST_FROSTS]


def _noted(state: State, season: Season) -> list[tuple[Plant, Kept[Note]]]:
    """Return what was seen in the season on every plant, the first day first."""
    found = [
        (plant.what, each)
        for plant, seen in all_known(state)
        for each in seen
        if season.first <= date.fromisoformat(each.what.day) <= season.last
    ]
    return sorted(found, key=lambda each: (each[1].what.day, each[0].name))


def _stages(noted: Sequence[tuple[Plant, Kept[Note]]]) -> Iterator[Seen]:
    """Yield each stage of each plant on the first day it was seen."""
    told = set()
    for plant, each in noted:
        code = each.what.code
        if code is not None and (plant.name, code) not in told:
            told.add((plant.name, code))
            yield Seen(date.fromisoformat(each.what.day), plant.name, code, bbch.stage_words(code, plant.scale))


def _pictured(state: State, noted: Sequence[tuple[Plant, Kept[Note]]]) -> Iterator[Pictured]:
    there = all_photographs(state)
    return (Pictured(plant, each.what, there[each.number]) for plant, each in noted if each.number in there)


def _trips(state: State, season: Season) -> list[Trip]:
    zone = state.settings.site.zone
    start_ms, end_ms = midnight_ms(season.first, zone), midnight_ms(season.last + timedelta(days=1), zone)
    try:
        with state.reading("journal.db") as connection:
            found = journal.read(connection, None, "trip", start_ms, end_ms, 200)
    except DamagedError:
        raise
    except StoreError:
        return []
    return [
        Trip(each.at_ms, each.enclosure or "", str(each.body.get("detail", "") or each.why)) for each in reversed(found)
    ]
