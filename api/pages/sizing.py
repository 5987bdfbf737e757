"""What the page about sizing and saving says, in the reader's words."""

import calendar
import math
from collections.abc import Callable
from dataclasses import dataclass

from api.pages import words
from api.pages.words import Unit
from api.season.site_sizing import ByHeater, Sized
from api.season.sizing import LEAST_CABLE_W_M2, MOST_CABLE_W_M2, Circuit
from controller.plant.construction import HeaterKind

CABLE, AIR = HeaterKind.SOIL_CABLE, HeaterKind.AIR_HEATER
_SPACE = "\N{NO-BREAK SPACE}"


@dataclass(frozen=True, slots=True)
class RowShown:
    """One line of a table: what, a remark, and its figures."""

    what: str
    note: str
    figures: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class SizingShown:
    """What stands beside the form when everything asked could be taken."""

    verdict: str
    because: str
    at_hand: str
    bed: str
    both: tuple[RowShown, ...]
    loss: tuple[RowShown, ...]
    season: str
    seasons: tuple[RowShown, ...]
    change_heads: tuple[str, ...]
    changes: tuple[RowShown, ...]
    circuits: tuple[RowShown, ...]
    volts: str
    currency: str


def sizing_shown(found: Sized, no_heat_c: float, currency: str, unit: Unit) -> SizingShown:
    """Return the sizing as the page has it.

    Parameters
    ----------
    no_heat_c
        [Cel] air above which there is no heat in this enclosure.
    """
    asked = found.asked
    soil, cold = (words.temperature_said(each, unit) for each in (asked.soil_c, found.coldest_c))
    own = found.heaters[asked.heater].held
    verdict = f"{_named(asked.heater)} of {_watts(own.watts)} holds soil at {soil} down to {cold} outside."
    if own.watts <= 0.0:
        verdict = f"At {cold} the soil stays at {soil} without heat."
    return SizingShown(
        verdict,
        _because(found, no_heat_c, unit),
        _at_hand(found, unit),
        _bed(found),
        tuple(_both(found, currency, unit)),
        tuple(_loss(found, unit)),
        _season(found, unit),
        tuple(_seasons(found)) if len(found.weather.seasons) > 1 else (),
        ("Change", "W", "kWh", "±\N{NO-BREAK SPACE}kWh")
        if found.weather.seasons
        else ("Change", "W", "±\N{NO-BREAK SPACE}W"),
        tuple(_changes(found)),
        tuple(_circuit(found, each) for each in found.circuits),
        f"{asked.volts:g} V",
        currency,
    )


def _because(found: Sized, no_heat_c: float, unit: Unit) -> str:
    cable, air = found.heaters[CABLE].held, found.heaters[AIR].held
    ratio = found.air_over_cable
    if ratio is None:
        return "Neither heater is needed on such a night."
    stands = words.temperature_said(air.air_c, unit)
    through = (
        f"Through the air the same soil takes {_watts(air.watts)}, {ratio:.1f} times as much, and the air inside "
        f"stands at {stands}."
    )
    if found.asked.heater is AIR:
        through = (
            f"The air inside then stands at {stands}. A soil cable holds the same soil with {_watts(cable.watts)}: the "
            f"air heater takes {ratio:.1f} times as much."
        )
    if air.air_c > no_heat_c:
        through += f" Heat ends at {words.temperature_said(no_heat_c, unit)} of air: no air heater may do that here."
    return through


def _at_hand(found: Sized, unit: Unit) -> str:
    asked = found.asked
    coldest_c = found.heaters[asked.heater].demand.coldest_c(asked.soil_c, asked.rated_w)
    soil = words.temperature_said(asked.soil_c, unit)
    if coldest_c is None:
        return f"The {asked.rated_w:g} W at hand hold {soil} on no clear night."
    return f"The {asked.rated_w:g} W at hand hold {soil} down to {words.temperature_said(coldest_c, unit)} outside."


def _bed(found: Sized) -> str:
    floor_m2 = found.asked.bed.built.floor_m2
    needed, at_hand = found.heaters[CABLE].held.watts / floor_m2, found.asked.rated_w / floor_m2
    said = f"The cable needed is {needed:.0f} W/m² of bed ({floor_m2:.1f} m²)"
    if found.asked.heater is CABLE:
        said += f", the one at hand {at_hand:.0f}"
    usual = f"handbooks lay {LEAST_CABLE_W_M2:.0f} to {MOST_CABLE_W_M2:.0f}"
    if needed > MOST_CABLE_W_M2:
        return f"{said}; {usual}. That is too much for one bed: cover it better or ask less."
    if found.asked.heater is CABLE and at_hand > MOST_CABLE_W_M2:
        return f"{said}; {usual}. Roots beside the cable at hand may get too warm."
    return f"{said}; {usual}."


def _both(found: Sized, currency: str, unit: Unit) -> list[RowShown]:
    pair = (found.heaters[CABLE], found.heaters[AIR])
    floor_m2, volts = found.asked.bed.built.floor_m2, found.asked.volts
    cold = f"at {words.temperature_said(found.coldest_c, unit)}"
    rows = [
        RowShown("Heat, W", cold, _of(pair, lambda h: str(_tens(h.held.watts)))),
        RowShown("On the bed, W/m²", "", _of(pair, lambda h: f"{h.held.watts / floor_m2:.0f}")),
        RowShown("Current, A", f"at {volts:g} V", _of(pair, lambda h: f"{h.held.watts / volts:.1f}")),
        RowShown(f"Air inside, {unit.sign}", "", _of(pair, lambda h: words.temperature(h.held.air_c, unit))),
    ]
    if found.weather.seasons:
        price = found.asked.price_per_kwh
        rows.append(RowShown("A season, kWh", "", _of(pair, lambda h: f"{h.mean_kwh or 0.0:.0f}")))
        if price:
            rows.append(
                RowShown(f"Its cost, {currency}", "", _of(pair, lambda h: f"{(h.mean_kwh or 0.0) * price:.0f}"))
            )
    return rows


def _of(pair: tuple[ByHeater, ByHeater], said: Callable[[ByHeater], str]) -> tuple[str, ...]:
    return tuple(said(each) for each in pair)


def _loss(found: Sized, unit: Unit) -> list[RowShown]:
    loss, built = found.loss, found.asked.bed.built
    apart_k = found.asked.soil_c - found.coldest_c

    def both(per_k: float) -> tuple[str, ...]:
        return f"{per_k:.1f}", f"{per_k * apart_k:.0f}"

    return [
        RowShown("Cover", f"{loss.cover_m2:.1f} m² at {built.film_u_w_m2k:g} W/m²K", both(loss.cover_w_k)),
        RowShown("Air exchange", f"{loss.volume_m3:.1f} m³, {built.air_changes_h:g} an hour", both(loss.exchange_w_k)),
        RowShown("Both", "", both(loss.whole_w_k)),
    ]


def _season(found: Sized, unit: Unit) -> str:
    weather = found.weather
    if not weather.seasons:
        return (
            f"No season can be told: {words.said(weather.why_none, unit)}. Write a mean outside into the form, or wait "
            "for days on record."
        )
    span = f"{_day(found.asked.first)} to {_day(found.asked.last)}"
    mine = found.heaters[found.asked.heater]
    short = sum(each.short_days for each in mine.used) / len(mine.used)
    last = weather.seasons[-1]
    if found.asked.mean_c is not None:
        return f"{span}, {last.days} days, all at the mean asked: {mine.mean_kwh:.0f} kWh."
    days = f" On {short:.0f} days the heater at hand falls short." if short >= 0.5 else ""
    if not last.whole:
        return (
            f"{span}: {last.known} of {last.days} days of {last.year} are on record ({weather.record}); those "
            f"alone take {mine.mean_kwh:.0f} kWh.{days}"
        )
    kwh = sorted(each.kwh for each in mine.used)
    many = len(kwh)
    over = f"{many} seasons, {kwh[0]:.0f} to {kwh[-1]:.0f} kWh" if many > 1 else f"the season of {last.year}"
    return f"{span}: {mine.mean_kwh:.0f} kWh by the record of {weather.record} ({over}).{days}"


def _seasons(found: Sized) -> list[RowShown]:
    pairs = zip(found.heaters[CABLE].used, found.heaters[AIR].used, strict=True)
    return [RowShown(str(one.year), "", (f"{one.kwh:.0f}", f"{other.kwh:.0f}")) for one, other in reversed([*pairs])]


def _changes(found: Sized) -> list[RowShown]:
    now = found.heaters[found.asked.heater]
    rows = [RowShown("as it is", "", _figures(now.held.watts, now.mean_kwh, None))]
    for each in found.changes:
        less = _tens(each.watts) - _tens(now.held.watts)
        if each.kwh is not None and now.mean_kwh is not None:
            less = round(each.kwh) - round(now.mean_kwh)
        rows.append(RowShown(each.change.name, each.change.note, _figures(each.watts, each.kwh, less)))
    return rows


def _figures(watts: float, kwh: float | None, less: int | None) -> tuple[str, ...]:
    season = () if kwh is None else (f"{kwh:.0f}",)
    difference = "" if less is None else ("+" if less > 0 else "") + words.number(less, 0)
    return (f"{_tens(watts)}", *season, difference)


def _circuit(found: Sized, circuit: Circuit) -> RowShown:
    carries = tuple("yes" if found.heaters[kind].held.watts <= circuit.carries_w else "no" for kind in (CABLE, AIR))
    return RowShown(f"{circuit.breaker_a:g} A", f"{circuit.continuous_a:g} A, {circuit.carries_w:.0f} W", carries)


def _named(heater: HeaterKind) -> str:
    return {CABLE: "A soil cable", AIR: "An air heater"}[heater]


def _watts(watts: float) -> str:
    return f"{_tens(watts)}{_SPACE}W"


def _tens(watts: float) -> int:
    """Return [W] up to the next ten: heaters come no finer."""
    return math.ceil(watts / 10.0) * 10


def _day(month_day: tuple[int, int]) -> str:
    return f"{month_day[1]} {calendar.month_name[month_day[0]]}"
