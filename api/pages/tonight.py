"""What the page about tonight says, in the reader's words."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any, TypeAlias

from api.pages import words
from api.pages.words import Unit
from api.planned import carries
from api.season import hindsight
from api.season.alarm import Place, Stage, alarm, leaves_colder
from api.season.daily import RecordError
from api.season.hindsight import Compared, PastNight
from api.season.hours import date_at
from api.season.nights import EVENING_MS, Dark
from api.season.placing import BRING_IN, COVER, MAY_GO, STAY, UNKNOWN, WAIT, WARMER, Placed, once_more_from, placed
from api.season.plant_notes import Kind
from api.season.site_days import site_days
from api.season.site_night import Foretold, Tonight, tonight, wet_bulb_now_c
from api.season.site_plants import all_known, last
from api.season.tonight import Chance, Forecast, chance
from api.state import State
from controller.errors import StoreError
from controller.settings import Enclosure
from controller.units import FAHRENHEIT_PER_K

FROST_C = 0.0
Nights: TypeAlias = Mapping[str, dict[str, Any]]
"""By enclosure, what the coming night asks of its heater."""


@dataclass(frozen=True, slots=True)
class RowShown:
    """One plant stage and place: from what air temperature it is in danger, how likely, and on what that rests."""

    what: str
    at: str
    word: str
    chance: str
    basis: str


@dataclass(frozen=True, slots=True)
class PlantShown:
    """One plant of ours: its stage, from what air temperature it is in danger, and what to do."""

    number: int
    name: str
    stage: str
    at: str
    why: str
    advice: str


@dataclass(frozen=True, slots=True)
class CoverShown:
    """One kind of cover: what the night would be with it."""

    name: str
    holds_to: str
    soil: str
    kwh: str


@dataclass(frozen=True, slots=True)
class HoldShown:
    """One enclosure's night: can the heater hold it?"""

    name: str
    verdict: str
    because: str
    covers: tuple[CoverShown, ...]
    past: tuple[tuple[str, ...], ...]
    error: str


@dataclass(frozen=True, slots=True)
class NightShown:
    """The whole page."""

    verdict: str
    because: str
    crosses: str
    so_far: str
    leaves: str
    wet: str
    rows: tuple[RowShown, ...]
    plants: tuple[PlantShown, ...]
    holds: tuple[HoldShown, ...]


def night_shown(state: State, unit: Unit) -> NightShown:
    """Return tonight as the page has it."""
    try:
        found = tonight(state)
    except StoreError:
        found = None
    nights = {name: carry for name, (_, carry) in carries(state).items() if carry is not None}
    holds = tuple(_hold(state, each, nights.get(each.name), unit) for each in state.settings.enclosure)
    if found is None:
        why = "There is no probe with quantity “outside”, it has said nothing yet, or the sun does not set here now."
        return NightShown(
            "Tonight is not known.", why, "", "", "", "", (), tuple(_plants(state, nights, None, unit)), holds
        )
    so_far = ""
    if found.lowest_c is not None:
        so_far = f"The lowest since sunset is {words.temperature_said(found.lowest_c, unit)}."
    if found.told is None:
        plants_now = tuple(_plants(state, nights, None, unit))
        return NightShown(
            "Tonight is not known yet.", _why_none(state, found), "", so_far, "", "", (), plants_now, holds
        )
    told = found.told
    frost = chance(told.forecast, FROST_C)
    colder = leaves_colder()
    scale, sign = _kelvin(unit)
    leaves = (
        f"Leaves in the open are {colder.least_k * scale:.0f} to {colder.most_k * scale:.0f} {sign} colder than the "
        "air where the sky is clear and the air still."
    )
    crosses = _crosses(state, told, found.dark)
    plants_now = tuple(_plants(state, nights, told.forecast, unit))
    # The table of stages stands in until there are plants of whose stage something is known.
    rows = () if plants_now else tuple(_rows(told, unit))
    because, wet = _because(told, frost, unit), _wet(state, frost, unit)
    return NightShown(f"Frost tonight: {frost.word}.", because, crosses, so_far, leaves, wet, rows, plants_now, holds)


def _kelvin(unit: Unit) -> tuple[float, str]:
    return (FAHRENHEIT_PER_K, "°F") if unit is Unit.F else (1.0, "K")


def _why_none(state: State, found: Tonight) -> str:
    evening_ms, now_ms = found.dark.sunset_ms + EVENING_MS, state.clock.now().utc_ms
    if now_ms >= evening_ms:
        return f"{found.why_none[:1].upper()}{found.why_none[1:]}."
    when = words.moment(evening_ms, now_ms, state.settings.site.zone)
    return f"The outside probe can tell from {when} on, two hours after sunset. A forecast fed in is used before that."


def _because(said: Foretold, frost: Chance, unit: Unit) -> str:
    told = said.forecast
    scale, sign = _kelvin(unit)
    lowest, freezing = (words.temperature_said(each, unit) for each in (told.minimum_c, FROST_C))
    by = "by the site's own probe" if said.by == "probe" else "by the forecast fed in"
    prior = " This site has told too few nights yet, so others' stand in." if told.from_prior else ""
    outside = " This evening is unlike any it has learnt from." if told.outside_range else ""
    return (
        f"Lowest expected {lowest}, {by}; two nights in three lie within {told.spread_k * scale:.1f} {sign} of what is "
        f"expected. The chance of {freezing} or less is {frost.probability:.0%}.{prior}{outside}"
    )


def _crosses(state: State, told: Foretold, dark: Dark) -> str:
    at_ms = told.falls_to_ms(FROST_C, dark)
    if at_ms is None:
        return ""
    now_ms = state.clock.now().utc_ms
    when = words.moment(at_ms, now_ms, state.settings.site.zone)
    return f"If it comes as expected, the air reaches freezing about {when}." if at_ms > now_ms else ""


def _wet(state: State, frost: Chance, unit: Unit) -> str:
    """Say what water would do now, on a night that may freeze; nothing without a humidity probe outdoors.

    Source: Snyder and de Melo-Abreu 2005, FAO Series 10, vol. 1, ch. 7 (sprinklers begin and end by the wet bulb).
    """
    wet_c = None if frost.word == "unlikely" else wet_bulb_now_c(state)
    if wet_c is None:
        return ""
    said = f"What is wet cools to {words.temperature_said(wet_c, unit)} in this air (wet bulb) until it is dry. "
    freezing = words.temperature_said(FROST_C, unit)
    if wet_c <= FROST_C:
        return f"{said}Do not begin to sprinkle now: it would freeze leaves before it warms them."
    return f"{said}Who sprinkles against frost begins while that is above {freezing}, and ends when it is so again."


def _rows(told: Foretold, unit: Unit) -> Iterator[RowShown]:
    for place in (Place.GROUND, Place.CONTAINER):
        for stage in (Stage.DORMANT, Stage.SWELLING, Stage.LEAFED):
            limit = alarm(stage, place)
            said = chance(told.forecast, limit.air_c)
            at = words.temperature_said(limit.air_c, unit)
            what = f"{stage.value}, {place.value}"
            yield RowShown(what, at, said.word, f"{said.probability:.0%}", limit.basis.value)


def _plants(state: State, nights: Nights, forecast: Forecast | None, unit: Unit) -> Iterator[PlantShown]:
    """Yield the plants that are watched and of whose stage something is noted, those in danger first."""
    site, today = state.settings.site, date_at(state.clock.now().utc_ms, state.settings.site.zone)
    try:
        record = site_days(state)
    except (RecordError, StoreError):
        record = None
    once_more = cache(lambda threshold_c: once_more_from(record, threshold_c, site.latitude, today))
    found = []
    for kept, seen in all_known(state):
        stage = last(seen, Kind.STAGE)
        if kept.what.active and stage is not None and stage.what.code is not None:
            inside_c = _inside_c(nights, kept.what.enclosure)
            one = placed(kept.what, stage.what.code, forecast, inside_c, once_more)
            found.append((kept.number, one))
    for number, one in sorted(found, key=lambda each: -_URGENT.index(each[1].advice)):
        at = words.temperature_said(one.at.air_c, unit)
        yield PlantShown(number, one.plant.name, one.stage.value, at, _chances(one), one.advice)


_URGENT = (STAY, MAY_GO, UNKNOWN, WAIT, COVER, WARMER, BRING_IN)


def _chances(one: Placed) -> str:
    if one.tonight is not None:
        return f"{one.tonight.word}, {one.tonight.probability:.0%}"
    if one.years is not None:
        return f"in {one.years.frozen} of {one.years.years} years once more"
    return ""


def _inside_c(nights: Nights, enclosure: str | None) -> float | None:
    carry = nights.get(enclosure or "")
    return None if carry is None else float(carry["nights"]["as it is"]["air_c"])


def _hold(state: State, enclosure: Enclosure, carry: dict[str, Any] | None, unit: Unit) -> HoldShown:
    try:
        past = hindsight.past_nights(state, enclosure)
    except StoreError:
        past = []
    shown = tuple(_past(each, unit) for each in past[:5])
    error = _error(past, unit)
    if carry is None:
        return HoldShown(
            enclosure.name, "Not known yet.", "The planner has no night of this enclosure yet.", (), shown, error
        )
    covers = tuple(_cover(name, each, unit) for name, each in carry["nights"].items())
    return HoldShown(enclosure.name, *_verdict(state, enclosure, carry, unit), covers, shown, error)


def _verdict(state: State, enclosure: Enclosure, carry: dict[str, Any], unit: Unit) -> tuple[str, str]:
    night, site = carry["nights"]["as it is"], state.settings.site
    outside = words.temperature_said(carry["outside_c"], unit)
    air = words.temperature_said(night["air_c"], unit)
    if carry["asked_c"] is None:
        return "Nothing is asked tonight.", f"Outside down to {outside}, air inside to {air}."
    scale, sign = _kelvin(unit)
    asked = words.temperature_said(carry["asked_c"], unit)
    held = night["short_k"] <= 0.5
    verdict = (
        f"It can hold {asked}." if held else f"It cannot hold {asked}: {night['short_k'] * scale:.1f} {sign} short."
    )
    limit = ""
    if night["holds_to_c"] is not None:
        limit = f" With full heat it would hold a night down to {words.temperature_said(night['holds_to_c'], unit)}."
    cost = f", {night['energy_kwh'] * site.price_per_kwh:.2f} {site.currency}" if site.price_per_kwh else ""
    soil = words.temperature_said(night["soil_c"], unit)
    kwh = f"{night['energy_kwh']:.1f} kWh in 24 h{cost}"
    return verdict, f"Outside down to {outside}, soil no colder than {soil}, air to {air}; {kwh}.{limit}"


def _cover(name: str, night: dict[str, Any], unit: Unit) -> CoverShown:
    limit = night["holds_to_c"]
    return CoverShown(
        name,
        "—" if limit is None else words.temperature_said(limit, unit),
        words.temperature_said(night["soil_c"], unit),
        f"{night['energy_kwh']:.1f}",
    )


def _past(night: PastNight, unit: Unit) -> tuple[str, ...]:
    def both(each: Compared) -> str:
        return f"{words.temperature(each.expected, unit)} / {words.temperature(each.was, unit)}"

    heat = night.energy_kwh
    used = "—" if heat.was is None else f"{heat.was:.1f}"
    kwh = f"{heat.expected:.1f} / {used}"
    return f"{night.evening:%a} {night.evening.day}", both(night.outside_c), both(night.soil_c), kwh


def _error(past: list[PastNight], unit: Unit) -> str:
    soil = hindsight.error_of([each.soil_c for each in past])
    heat = hindsight.error_of([each.energy_kwh for each in past])
    if soil is None:
        return ""
    scale, sign = _kelvin(unit)
    energy = "" if heat is None else f", its heat by {heat.size:.1f} kWh"
    return (
        f"Over {soil.nights} night{'s' if soil.nights != 1 else ''} the coldest soil was missed by "
        f"{soil.size * scale:.1f} {sign} on the average{energy}."
    )
