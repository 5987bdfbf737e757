"""The season: how far awake each place is, and how likely frost still is."""

import math
from dataclasses import asdict
from datetime import date
from typing import Annotated, Any

from fastapi import HTTPException, Query, Request
from fastapi.responses import HTMLResponse

from api.auth import StateNow, Viewer
from api.examples import shows
from api.pages import words
from api.pages.render import page, unit_of
from api.pages.season import THRESHOLDS_C, season_shown
from api.pages.words import Unit
from api.pages.years import years_shown
from api.problem import Router, example
from api.routes.worth import Year
from api.season import freeze_chance
from api.season.daily import RecordError
from api.season.examples import FREEZES, WAKING, YEARS
from api.season.freeze import Freezes, first_freezes, hemisphere_of, last_freezes
from api.season.freeze_chance import MonthDay
from api.season.hours import WakingError, date_at
from api.season.site_days import site_days
from api.season.site_waking import awake, bounds
from api.season.site_worth import Season, season_at, season_of
from api.season.site_years import seasons_beside
from api.season.waking import Course
from api.season.years import Changed, changes
from api.season.years import Year as Compared
from api.state import State
from controller.units import fahrenheit_to_c

router = Router()
COLDEST_ASKED_C, WARMEST_ASKED_C = -30.0, 15.0
Below = Annotated[float | None, Query(ge=COLDEST_ASKED_C, le=WARMEST_ASKED_C, allow_inf_nan=False)]
Written = Annotated[str, Query(max_length=12)]
_SIGN_IN = example(401, "sign in, or send a bearer token")


@router.get("/api/season/waking", tags=["season"], responses={**shows(WAKING), **_SIGN_IN})
def waking(state: StateNow, person: Viewer) -> dict[str, Any]:
    """Give cold and warmth counted so far, outside and per enclosure, by the methods that settings name."""
    try:
        limits, found = bounds(state), awake(state)
    except WakingError as fault:
        raise HTTPException(422, str(fault)) from fault
    asked = state.settings.season
    return {
        "chill": asked.chill,
        "warmth": asked.warmth,
        "base_c": limits.base_c,
        "places": [
            {
                "place": each.place.words,
                "enclosure": each.place.enclosure,
                "probe": each.place.probe,
                "chill": _sum(each.chill),
                "warmth": _sum(each.warmth),
            }
            for each in found
        ],
    }


@router.get(
    "/api/season/freezes",
    tags=["season"],
    responses={**shows(FREEZES), **_SIGN_IN, **example(422, "season.station_file: cannot be read; correct the path")},
)
def freezes(state: StateNow, person: Viewer, below_c: Below = None) -> dict[str, Any]:
    """Give last freezes by threshold (P10 is the late date, one year in ten), and the chance of one more from today on.

    `below_c` asks for a temperature of your own in place of the three that are usual: 0, -2.2 and -4 Cel.

    `autumn` has the first freeze, of which P10 is the early date; null where no autumn counts.

    `record` is null where there is neither a weather station's record nor an outside probe on record.
    """
    today = date_at(state.clock.now().utc_ms, state.settings.site.zone)
    try:
        record = site_days(state)
        if record is None:
            return {"record": None, "thresholds": []}
        hemisphere = hemisphere_of(state.settings.site.latitude)
        found = [
            {
                **_threshold(last_freezes(record, each, hemisphere), today),
                "autumn": _autumn(first_freezes(record, each, hemisphere)),
            }
            for each in (THRESHOLDS_C if below_c is None else (below_c,))
        ]
        return {"record": record.place, "note": record.note, "thresholds": found}
    except RecordError as fault:
        raise HTTPException(422, str(fault)) from fault


@router.get("/season", include_in_schema=False)
def season_page(request: Request, state: StateNow, person: Viewer, below: Written = "") -> HTMLResponse:
    """The page; `below` is a temperature of the reader's own, in the reader's unit, to tell freezes by."""
    y = years_shown(state, seasons_beside(state, _season(state)))
    unit = unit_of(request)
    shown = season_shown(state, unit, _thresholds(below, unit))
    return page(request, "season.html", s=shown, y=y, below=below, here="season")


def _thresholds(below: str, unit: Unit) -> tuple[float, ...]:
    if not below.strip():
        return THRESHOLDS_C
    try:
        value = float(below.strip().replace(",", ".").replace(words.MINUS, "-"))
    except ValueError as error:
        raise HTTPException(422, f"below: {below!r} is no number; write one such as 2.5, in {unit.sign}") from error
    value_c = fahrenheit_to_c(value) if unit is Unit.F else value
    if not COLDEST_ASKED_C <= value_c <= WARMEST_ASKED_C:
        bounds = f"{unit.shown(COLDEST_ASKED_C):.0f} to {unit.shown(WARMEST_ASKED_C):.0f}"
        raise HTTPException(
            422, f"below: {below.strip()} is outside {bounds} {unit.sign}; write a temperature of frost"
        )
    return (round(value_c, 2),)


@router.get("/api/season/years", tags=["season"], responses={**shows(YEARS), **_SIGN_IN})
def years(state: StateNow, person: Viewer, year: Year = None) -> dict[str, Any]:
    """Give this season beside up to three before it, each counted up to the same day; and the same plants in two.

    `chill` and `warmth` are counted from each day's lowest and highest on record, so that all years are counted alike;
    null where more than a twentieth of the days is missing. A freeze of null on a known date means that it never froze.
    """
    found = seasons_beside(state, _season(state, year))
    asked = state.settings.season
    return {
        "chill_by": asked.chill,
        "warmth_by": asked.warmth,
        "years": [_year(each) for each in found],
        "same_plants": [_changed(each) for each in changes(*found[:2])] if len(found) > 1 else [],
    }


def _season(state: State, year: int | None = None) -> Season:
    site = state.settings.site
    if year is None:
        return season_at(date_at(state.clock.now().utc_ms, site.zone), site.latitude)
    return season_of(year, site.latitude)


def _year(each: Compared) -> dict[str, Any]:
    told = {name: value for name, value in asdict(each).items() if name != "trees"}
    return {**told, "kwh": round(each.kwh, 3), "kwh_whole": round(each.kwh_whole, 3)}


def _changed(each: Changed) -> dict[str, Any]:
    def finite(value: float) -> float | None:
        return value if math.isfinite(value) else None

    told = {**asdict(each), "measure": each.measure.value}
    told["shift"] = {name: finite(value) for name, value in asdict(each.shift).items()}
    return told


def _sum(counted: Course | None) -> dict[str, Any] | None:
    if counted is None:
        return None
    total, missing = round(float(counted.totals[-1]), 2), int(counted.hours_missing[-1])
    return {"since": counted.start.isoformat(), "total": total, "unit": counted.unit, "hours_missing": missing}


def _threshold(found: Freezes, today: date) -> dict[str, Any]:
    normals, rule = freeze_chance.last_normals(found), freeze_chance.two_weeks_before(found)
    return {
        "at_or_below_c": found.threshold_c,
        "years": normals.years,
        "p10": _month_day(normals.p10),
        "p50": _month_day(normals.p50),
        "p90": _month_day(normals.p90),
        "last": {year: None if on is None else on.isoformat() for year, on in found.dates.items()},
        "left_out": found.dropped,
        "ahead": [{"days": days, **_share(share)} for days, share in freeze_chance.chances(found, today)],
        "two_weeks_before_the_average": None if rule is None else _share(rule),
    }


def _autumn(found: Freezes) -> dict[str, Any] | None:
    """Return the first freeze of the autumn, p10 the early date; None where no autumn counts."""
    if not found.dates:
        return None
    normals = freeze_chance.first_normals(found)
    dates = {"p10": normals.p10, "p50": normals.p50, "p90": normals.p90}
    first = {year: None if on is None else on.isoformat() for year, on in found.dates.items()}
    return {"years": normals.years, **{name: _month_day(each) for name, each in dates.items()}, "first": first}


def _share(share: freeze_chance.Share) -> dict[str, Any]:
    return {**asdict(share), "on": _month_day(share.on)}


def _month_day(on: MonthDay | None) -> str | None:
    return None if on is None else f"{on.month:02d}-{on.day:02d}"
