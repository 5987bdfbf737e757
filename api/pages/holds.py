"""Whether each heater can carry tonight, what more cover would change, and how far off such words were."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from api.pages import words
from api.pages.words import Unit, kelvin
from api.planned import planned
from api.season import hindsight
from api.season.hindsight import Compared, PastNight
from api.season.tonight import LIKELY, POSSIBLE, Forecast, colder_than_held
from api.state import State
from controller.enclosure_settings import Enclosure

HELD_K = 0.5
"""[K] Soil no further below its set point at the night's end counts as held, as the planner has it."""


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


def hold_shown(
    state: State, enclosure: Enclosure, carry: Mapping[str, Any] | None, off: str, told: Forecast | None, unit: Unit
) -> HoldShown:
    """Return one enclosure's night; `told` is tonight's lowest outside where it is known.

    What the planner thinks is of heat that may come: it goes by the record, and knows of no trip. `off` says why none
    can come now, "" where it can.
    """
    past = hindsight.past_nights(state, enclosure)
    shown = tuple(_past(each, unit) for each in past[:5])
    error = _error(past, unit)
    if carry is None:
        word = planned(state, enclosure.name).word or "the planner has no night of this enclosure yet"
        return HoldShown(enclosure.name, off or "Not known yet.", words.sentence(word, unit), (), shown, error)
    covers = tuple(_cover(name, each, unit) for name, each in carry["nights"].items())
    verdict, because = _verdict(state, carry, told, unit)
    if off and carry["asked_c"] is not None:
        verdict, because = off, f"With heat: {verdict[:1].lower()}{verdict[1:]} {because}"
    return HoldShown(enclosure.name, verdict, because, covers, shown, error)


def _verdict(state: State, carry: Mapping[str, Any], told: Forecast | None, unit: Unit) -> tuple[str, str]:
    night, site = carry["nights"]["as it is"], state.settings.site
    outside = words.temperature_said(carry["outside_c"], unit)
    air = words.temperature_said(night["air_c"], unit)
    if carry["asked_c"] is None:
        return "Nothing is asked tonight.", f"With {outside} outside the air inside comes to {air}."
    cost = f", {night['energy_kwh'] * site.price_per_kwh:.2f} {site.currency}" if site.price_per_kwh else ""
    soil = words.temperature_said(night["soil_c"], unit)
    planned = f"The plan counts with {outside} outside: soil no colder than {soil}, air {air}, "
    return _can(carry, told, unit), f"{planned}{night['energy_kwh']:.1f} kWh in 24 h{cost}.{_limit(carry, told, unit)}"


def _can(carry: Mapping[str, Any], told: Forecast | None, unit: Unit) -> str:
    """Say whether the set point can be held: by the plan, and by how cold tonight may become besides."""
    asked, short_k = words.temperature_said(carry["asked_c"], unit), carry["nights"]["as it is"]["short_k"]
    if short_k > HELD_K:
        scale, sign = kelvin(unit)
        return f"It cannot hold {asked}: {short_k * scale:.1f} {sign} short."
    colder = None if told is None else colder_than_held(carry, told)
    if colder is None or colder < POSSIBLE:
        return f"It can hold {asked}."
    return f"It will hardly hold {asked}." if colder >= LIKELY else f"It may not hold {asked}."


def _limit(carry: Mapping[str, Any], told: Forecast | None, unit: Unit) -> str:
    holds_to_c = carry["nights"]["as it is"]["holds_to_c"]
    if holds_to_c is None:
        return ""
    colder = None if told is None else colder_than_held(carry, told)
    so = "" if colder is None else f"; the chance that tonight is colder is {words.chance_said(colder)}"
    return f" With full heat it would hold a night down to {words.temperature_said(holds_to_c, unit)}{so}."


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
    scale, sign = kelvin(unit)
    energy = "" if heat is None else f", its heat by {heat.size:.1f} kWh"
    return (
        f"Over {soil.nights} night{'s' if soil.nights != 1 else ''} the coldest soil was missed by "
        f"{soil.size * scale:.1f} {sign} on the average{energy}."
    )
