"""What to do with our plants tonight, in the reader's words: those in danger first, those alike together."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from itertools import groupby
from typing import Any, TypeAlias

from api.pages import words
from api.pages.words import Unit
from api.season.alarm import Alarms
from api.season.daily import RecordError
from api.season.hours import date_at
from api.season.placing import (
    BRING_IN,
    COVER,
    MAY_GO,
    STAY,
    UNKNOWN,
    WAIT,
    WARMER,
    Known,
    Placed,
    once_more_from,
    placed,
)
from api.season.plant_notes import Kind
from api.season.site_days import site_days
from api.season.site_plants import all_known, last
from api.season.tonight import Forecast
from api.state import State

Inside: TypeAlias = Mapping[str, float | None]
"""By enclosure, the coldest air [Cel] to expect in it; None where that is not known."""

_URGENT = (BRING_IN, WARMER, COVER, WAIT, UNKNOWN, MAY_GO, STAY)


@dataclass(frozen=True, slots=True)
class PlantsShown:
    """Plants that are alike tonight (number and name): stage, from what air on they are in danger, and what to do."""

    plants: tuple[tuple[int, str], ...]
    stage: str
    at: str
    basis: str
    why: str
    advice: str


def plants_shown(
    state: State, inside_c: Inside, alarms: Alarms, forecast: Forecast | None, unit: Unit
) -> tuple[PlantsShown, ...]:
    """Return the plants that are watched and of whose stage something is noted."""
    found = sorted(_placed(state, inside_c, alarms, forecast), key=lambda each: _order(each[1]))
    return tuple(_alike(list(alike), unit) for _, alike in groupby(found, key=lambda each: _order(each[1])))


def _placed(state: State, inside_c: Inside, alarms: Alarms, forecast: Forecast | None) -> Iterator[tuple[int, Placed]]:
    site, today = state.settings.site, date_at(state.clock.now().utc_ms, state.settings.site.zone)
    try:
        record = site_days(state)
    except RecordError:
        record = None
    once_more = cache(lambda threshold_c: once_more_from(record, threshold_c, site.latitude, today))
    known = Known(alarms, forecast, once_more)
    for kept, seen in all_known(state):
        stage = last(seen, Kind.STAGE)
        if kept.what.active and stage is not None and stage.what.code is not None:
            yield kept.number, placed(kept.what, stage.what.code, known, inside_c.get(kept.what.enclosure or ""))


def inside_air_c(carry: Mapping[str, Any] | None, forecast: Forecast | None, *, heated: bool = True) -> float | None:
    """Return the coldest air [Cel] to expect in an enclosure, or None where nothing tells.

    Notes
    -----
    Where tonight is told colder than the plan counts with, the air inside is taken to be as much colder: it never
    falls by more than the air outside. Where no heat comes, it is taken to be as cold as outside (engineering
    judgement) where the plan counts with heat.
    """
    needs_heat = carry is None or float(carry["nights"]["as it is"]["energy_kwh"]) > 0.0
    if not heated and needs_heat and forecast is not None:
        return forecast.minimum_c
    if carry is None:
        return None
    outside_c = float(carry["outside_c"])
    colder_k = 0.0 if forecast is None else max(outside_c - forecast.minimum_c, 0.0)
    return float(carry["nights"]["as it is"]["air_c"]) - colder_k if heated or not needs_heat else outside_c


def _order(one: Placed) -> tuple[int, float, str, str]:
    return _URGENT.index(one.advice), -one.at.air_c, one.stage.value, _chances(one)


def _alike(found: list[tuple[int, Placed]], unit: Unit) -> PlantsShown:
    one = found[0][1]
    return PlantsShown(
        tuple((number, each.plant.name) for number, each in found),
        one.stage.value,
        words.temperature_said(one.at.air_c, unit),
        one.at.basis.value,
        _chances(one),
        one.advice,
    )


def _chances(one: Placed) -> str:
    if one.tonight is not None:
        return f"{one.tonight.word}, {words.chance_said(one.tonight.probability)}"
    if one.years is not None:
        return f"from now on it came to that in {one.years.frozen} of {one.years.years} years"
    return ""
