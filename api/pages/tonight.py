"""What the page about tonight says, in the reader's words."""

from collections.abc import Iterator
from dataclasses import dataclass

from api.pages import words
from api.pages.holds import HoldShown, hold_shown
from api.pages.placed import PlantsShown, inside_air_c, plants_shown
from api.pages.unheated import unheated_now
from api.pages.words import Unit, kelvin
from api.planned import carries
from api.season.alarm import Alarms, Place, Stage, leaves_colder
from api.season.nights import EVENING_MS, Dark
from api.season.site_night import Foretold, Tonight, alarms_here, coming_night, outdoors, tonight, wet_bulb_now_c
from api.season.tonight import Chance, chance
from api.state import State
from controller.errors import StoreError
from controller.store.damage import is_damage

FROST_C = 0.0
SILENT_MS = 1_800_000
"""[ms] since the last ten minutes with a reading, from which the probe is said to be silent (engineering judgement)."""


@dataclass(frozen=True, slots=True)
class RowShown:
    """One plant stage and place: from what air temperature it is in danger, how likely, and on what that rests."""

    what: str
    at: str
    word: str
    chance: str
    basis: str


@dataclass(frozen=True, slots=True)
class NightShown:
    """The whole page."""

    verdict: str
    because: str
    crosses: str = ""
    so_far: str = ""
    leaves: str = ""
    wet: str = ""
    rows: tuple[RowShown, ...] = ()
    plants: tuple[PlantsShown, ...] = ()
    holds: tuple[HoldShown, ...] = ()


def night_shown(state: State, unit: Unit) -> NightShown:
    """Return tonight as the page has it."""
    try:
        found = tonight(state)
    except StoreError as error:
        if is_damage(error):
            raise
        found = None
    told = None if found is None or found.told is None else found.told.forecast
    nights = {name: carry for name, (_, carry) in carries(state).items() if carry is not None}
    off = {each.name: unheated_now(state, each, unit) for each in state.settings.enclosure}
    holds = tuple(
        hold_shown(state, each, nights.get(each.name), off[each.name], told, unit) for each in state.settings.enclosure
    )
    alarms = alarms_here(state.settings, found)
    inside_c = {name: inside_air_c(nights.get(name), told, heated=not why) for name, why in off.items()}
    plants = plants_shown(state, inside_c, alarms, told, unit)
    if found is None:
        return NightShown("Tonight is not known.", _why_nothing(state), plants=plants, holds=holds)
    so_far = _so_far(state, found, unit)
    if found.told is None:
        return NightShown(
            "Tonight is not known yet.", _why_none(state, found), so_far=so_far, plants=plants, holds=holds
        )
    frost = chance(found.told.forecast, FROST_C)
    return NightShown(
        f"Frost tonight: {'it is here' if found.told.forecast.is_reached(FROST_C) else frost.word}.",
        _because(found.told, frost, unit),
        _crosses(state, found.told, found.dark),
        so_far,
        _leaves(found, found.told.forecast.minimum_c, unit),
        _wet(state, frost, unit),
        # The table of stages stands in until there are plants of whose stage something is known.
        () if plants else tuple(_rows(found.told, alarms, unit)),
        plants,
        holds,
    )


def _why_nothing(state: State) -> str:
    """Say why there is no night to tell of."""
    site = state.settings.site
    if outdoors(state.settings) is None:
        return "There is no probe with quantity “outside”."
    if coming_night(state.clock.now().utc_ms, site.latitude, site.longitude) is None:
        return "The sun does not rise and set here now, so there is no night to tell of."
    return "The outside probe has said nothing yet."


def _so_far(state: State, found: Tonight, unit: Unit) -> str:
    """Say how cold it has been, and up to when that is known."""
    if found.lowest_c is None or found.heard_ms is None:
        return ""
    said = f"The lowest since sunset is {words.temperature_said(found.lowest_c, unit)}"
    now_ms = state.clock.now().utc_ms
    if now_ms - found.heard_ms <= SILENT_MS:
        return f"{said}."
    since = words.moment(found.heard_ms, now_ms, state.settings.site.zone)
    return f"{said}, as far as is known: the outside probe has been silent since {since}."


def _leaves(found: Tonight, minimum_c: float, unit: Unit) -> str:
    """Say how cold leaves in the open may become."""
    colder = leaves_colder(found.sky.wind_m_s, found.sky.cloud)
    if colder.most_k == 0.0:
        return f"{words.capital(colder.words)}."
    scale, sign = kelvin(unit)
    coldest, warmest = (words.temperature_said(minimum_c - each, unit) for each in (colder.most_k, colder.least_k))
    return (
        f"Leaves in the open may come to {coldest} to {warmest}, {colder.least_k * scale:.0f} to "
        f"{colder.most_k * scale:.0f} {sign} colder than the air: the night is {colder.words}."
    )


def _why_none(state: State, found: Tonight) -> str:
    evening_ms, now_ms = found.dark.sunset_ms + EVENING_MS, state.clock.now().utc_ms
    if now_ms >= evening_ms:
        return f"{words.capital(found.why_none)}."
    when = words.moment(evening_ms, now_ms, state.settings.site.zone)
    return f"The outside probe can tell from {when} on, two hours after sunset. A forecast fed in is used before that."


def _because(said: Foretold, frost: Chance, unit: Unit) -> str:
    told = said.forecast
    scale, sign = kelvin(unit)
    lowest, freezing = (words.temperature_said(each, unit) for each in (told.minimum_c, FROST_C))
    by = "by the site's own probe" if said.by == "probe" else "by the forecast fed in"
    prior = " This site has told too few nights yet, so others' stand in." if told.from_prior else ""
    outside = " This evening is unlike any it has learnt from." if told.outside_range else ""
    return (
        f"Lowest expected {lowest}, {by}; two nights in three lie within {told.spread_k * scale:.1f} {sign} of what is "
        f"expected. The chance of {freezing} or less is {words.chance_said(frost.probability)}.{prior}{outside}"
    )


def _crosses(state: State, told: Foretold, dark: Dark) -> str:
    at_ms = told.falls_to_ms(FROST_C, dark)
    if at_ms is None or told.forecast.is_reached(FROST_C):
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


def _rows(told: Foretold, alarms: Alarms, unit: Unit) -> Iterator[RowShown]:
    for place in (Place.GROUND, Place.CONTAINER):
        for stage in (Stage.DORMANT, Stage.SWELLING, Stage.LEAFED):
            limit = alarms.of(stage, place)
            said = chance(told.forecast, limit.air_c)
            at = words.temperature_said(limit.air_c, unit)
            what = f"{stage.value}, {place.value}"
            yield RowShown(what, at, said.word, words.chance_said(said.probability), limit.basis.value)
