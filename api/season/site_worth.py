"""One season's trees and electricity, from the notes on plants and the heater runs on record."""

from collections import Counter, defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, date, timedelta

from api.season.freeze import Hemisphere, hemisphere_of
from api.season.hours import date_at, midnight_ms
from api.season.plant_notes import Kind, Note, notes
from api.season.plants import Kept, Plant, Protection, past, plants
from api.season.worth import Tree
from api.season.worth_cost import Used
from api.state import State
from controller.errors import StoreError
from controller.store import use
from controller.store.damage import DamagedError

CROPS = ("first", "main")
_ORDER = [each.value for each in Protection]
"""The most protected first, so that a comparison reads as what protection gained."""


@dataclass(frozen=True, slots=True)
class Season:
    """One growing season: from its first to its last day, named by the year in which it begins."""

    year: int
    first: date
    last: date


@dataclass(frozen=True, slots=True)
class Grown:
    """What a season brought: its trees in one crop, those of both, and what each protection used for both; `is_split`
    where one enclosure held several, whose plants share its electricity.
    """

    season: Season
    crop: str
    trees: list[Tree]
    harvested: list[Tree]
    used: dict[str, Used]
    is_split: bool


def season_of(year: int, latitude: float) -> Season:
    """Return a year's growing season: the calendar year in the north, July to June in the south (common practice)."""
    if hemisphere_of(latitude) is Hemisphere.NORTH:
        return Season(year, date(year, 1, 1), date(year, 12, 31))
    return Season(year, date(year, 7, 1), date(year + 1, 6, 30))


def season_at(on: date, latitude: float) -> Season:
    """Return the growing season that a date lies in."""
    season = season_of(on.year, latitude)
    return season if season.first <= on else season_of(on.year - 1, latitude)


@dataclass(frozen=True, slots=True)
class Noted:
    """All plants, and by their numbers what was ever true of each, and what was seen on it."""

    plants: tuple[Kept[Plant], ...]
    past: Mapping[int, tuple[Kept[Plant], ...]]
    notes: Mapping[int, tuple[Kept[Note], ...]]

    def stood(self, kept: Kept[Plant], season: Season) -> Plant:
        """Return a plant protected as it was when a season ended; earlier than it was first written of, as it was when
        that season ended, so that a slip corrected within it counts.
        """
        rows, last = self.past[kept.number], season.last
        written = date_at(rows[-1].at_ms, UTC)
        ended = max(last, last.replace(year=written.year + (written.month > last.month)))
        then = next(each.what for each in rows if date_at(each.at_ms, UTC) <= ended)
        return replace(kept.what, protection=then.protection, enclosure=then.enclosure)


def noted(state: State) -> Noted:
    """Return everything that stands of plants."""
    with state.reading("season.db") as connection:
        return Noted(plants(connection), past(connection), notes(connection))


def years(state: State) -> list[int]:
    """Return the years of which anything is noted on a plant, newest first."""
    return years_in(noted(state), state.settings.site.latitude)


def years_in(found: Noted, latitude: float) -> list[int]:
    """Return the years of which anything is noted, newest first."""
    days = {date.fromisoformat(each.what.day) for listed in found.notes.values() for each in listed}
    return sorted({season_at(day, latitude).year for day in days}, reverse=True)


def grown(state: State, season: Season, crop: str) -> Grown:
    """Return a season's trees for one crop, and what each protection used."""
    known = noted(state)
    heated: defaultdict[str, Counter[str]] = defaultdict(Counter)
    for each in known.plants:
        stood = known.stood(each, season)
        if stood.enclosure is not None and _seen_in(known, each.number, season):
            heated[stood.enclosure][stood.protection.value] += 1
    trees = {each: trees_in(known, season, each) for each in CROPS}
    is_split = any(len(among) > 1 for among in heated.values())
    harvested = [tree for each in trees.values() for tree in each]
    return Grown(season, crop, trees[crop], harvested, _used(state, season, heated), is_split)


def trees_in(known: Noted, season: Season, crop: str, through: date | None = None) -> list[Tree]:
    """Return what a season says of one crop on every plant of which anything was seen in it, up to a day if asked."""
    found = []
    for each in known.plants:
        seen = _seen_in(known, each.number, replace(season, last=through or season.last))
        if seen:
            found.append(tree_of(known.stood(each, season), seen, crop))
    return sorted(found, key=lambda tree: _ORDER.index(tree.protection))


def _seen_in(known: Noted, number: int, season: Season) -> list[Note]:
    return [one.what for one in known.notes.get(number, ()) if _within(one.what, season)]


def tree_of(plant: Plant, seen: list[Note], crop: str) -> Tree:
    """Return what one plant's notes of a season say of one crop; it was watched until the last of them."""
    looked = sorted((each for each in seen if each.kind is Kind.HARVEST and each.crop == crop), key=lambda e: e.day)
    picked = [each for each in looked if each.count or each.grams]
    weighed = [each.grams for each in looked if each.grams is not None]
    never = any(each.kind is Kind.NEVER and each.crop == crop for each in seen)
    damage = [each.share_pct for each in seen if each.share_pct is not None]
    return Tree(
        plant.name,
        plant.protection.value,
        plant.enclosure,
        max(date.fromisoformat(each.day) for each in seen),
        date.fromisoformat(picked[0].day) if picked else None,
        _half(picked),
        sum(weighed) if weighed else 0.0 if never else None,
        max(damage) / 100.0 if damage else None,
    )


def _half(picked: list[Note]) -> date | None:
    """Return the day by which half of the fruits were ripe; where they were not counted, half of the weight."""
    sizes = [each.count if each.count is not None else each.grams for each in picked]
    if any(each.count is None for each in picked):
        sizes = [each.grams for each in picked]
    told = [(each.day, size) for each, size in zip(picked, sizes, strict=True) if size is not None]
    total, so_far = sum(size for _, size in told), 0.0
    for day, size in told:
        so_far += size
        if 2 * so_far >= total > 0:
            return date.fromisoformat(day)
    return None


def _within(note: Note, season: Season) -> bool:
    return season.first <= date.fromisoformat(note.day) <= season.last


def _used(state: State, season: Season, heated: Mapping[str, Counter[str]]) -> dict[str, Used]:
    """Return what each protection used over a season, from each enclosure's plants by protection: as many, as much."""
    zone, now_ms = state.settings.site.zone, state.clock.now().utc_ms
    start_ms, end_ms = midnight_ms(season.first, zone), midnight_ms(season.last + timedelta(days=1), zone)
    kwh = {name: 0.0 for among in heated.values() for name in among}
    try:
        with state.reading("readings.db") as record:
            for enclosure, among in sorted(heated.items()):
                days = use.summary(record, enclosure, start_ms, end_ms, "day", zone, now_ms)
                each_kwh = sum(day.energy_kwh for day in days) / among.total()
                for name, count in among.items():
                    kwh[name] += each_kwh * count
    except DamagedError:
        raise  # "used nothing" would be a guess
    except StoreError:
        kwh = dict.fromkeys(kwh, 0.0)
    return {name: Used(each, each * state.settings.site.price_per_kwh) for name, each in kwh.items()}
