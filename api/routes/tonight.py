"""Tonight: how cold, what is in danger, and whether each heater can carry it."""

from dataclasses import asdict
from typing import Annotated, Any

from fastapi import Depends, Form, HTTPException, Request
from fastapi.responses import HTMLResponse, RedirectResponse

from api.auth import Operator, StateNow, Viewer
from api.examples import shows
from api.pages import site_lines, words
from api.pages.again import note
from api.pages.render import page, unit_of
from api.pages.tonight import night_shown
from api.pages.unheated import unheated_now
from api.pages.words import Unit
from api.planned import carries
from api.problem import Router, example
from api.season import hindsight
from api.season.alarm import Place, Stage, leaves_colder
from api.season.examples import TONIGHT
from api.season.fed_nights import take_forecast, typed_in
from api.season.forecast import COLDEST_C, WARMEST_C, Told
from api.season.site_night import Foretold, alarms_here, coming_night, outside_now_c, tonight
from api.season.tonight import chance, colder_than_held
from api.state import State
from controller.clock import rfc3339
from controller.enclosure_settings import Enclosure
from controller.units import fahrenheit_to_c

router = Router()


@router.get(
    "/api/season/tonight",
    tags=["season"],
    responses={**shows(TONIGHT), **example(401, "sign in, or send a bearer token")},
)
def tonight_now(state: StateNow, person: Viewer) -> dict[str, Any]:
    """Give the lowest air expected tonight with its spread, the chance of each frost limit, what each heater can do.

    `told` is null where nothing can be told yet; `why_none` says why. `by` is "probe" (the site's own, from two hours
    after sunset on) or "forecast" (fed in). `spread_k` is one standard deviation, learnt from the site's own nights, or
    by how much the night is colder already, if that is more; `reached_c` is what it has come to so far. `carry` is null
    where what the planner thought last (`at`) is more than three hours old: it was of another night. It is of a heater
    that may heat; `unheated` says why no heat can come now, "" where it can.
    """
    found = tonight(state)
    thought = carries(state)
    told = None if found is None else found.told
    holds = {each.name: _hold(state, each, thought.get(each.name), told) for each in state.settings.enclosure}
    if found is None:
        return {
            "night": None,
            "told": None,
            "why_none": "no outside probe, or the sun does not rise and set here now",
            "enclosures": holds,
        }
    night = {"sunset": rfc3339(found.dark.sunset_ms), "sunrise": rfc3339(found.dark.sunrise_ms)}
    known = {"night": night, "why_none": found.why_none, "lowest_so_far_c": found.lowest_c, "enclosures": holds}
    if found.told is None:
        return {**known, "told": None}
    told = found.told
    limits, alarms = [], alarms_here(state.settings, found)
    # Under cover the air meant is that under the cover, which this does not tell.
    for place in (Place.GROUND, Place.CONTAINER):
        for stage in Stage:
            limit = alarms.of(stage, place)
            at_ms = told.falls_to_ms(limit.air_c, found.dark)
            limits.append(
                {
                    "stage": stage.name.lower(),
                    "place": place.name.lower(),
                    "air_c": limit.air_c,
                    "chance": round(chance(told.forecast, limit.air_c).probability, 3),
                    "word": chance(told.forecast, limit.air_c).word,
                    "reached": None if at_ms is None else rfc3339(at_ms),
                    "basis": limit.basis.value,
                }
            )
    colder = leaves_colder(found.sky.wind_m_s, found.sky.cloud)
    leaves = {
        "coldest_c": told.forecast.minimum_c - colder.most_k,
        "warmest_c": told.forecast.minimum_c - colder.least_k,
        "words": colder.words,
    }
    by = {"by": told.by, **asdict(told.forecast), "nights": found.fit.nights}
    return {**known, "told": by, "leaves": leaves, "limits": limits}


@router.get("/tonight", include_in_schema=False)
def tonight_page(request: Request, state: StateNow, person: Viewer) -> HTMLResponse:
    """The page."""
    unit = unit_of(request)
    line = site_lines.outside_line(state, unit)
    return page(request, "tonight.html", n=night_shown(state, unit), here="tonight", line=line)


@router.post("/tonight/forecast", include_in_schema=False, dependencies=[Depends(note)])
def type_in(
    request: Request, state: StateNow, person: Operator, lowest: Annotated[str, Form(max_length=12)]
) -> RedirectResponse:
    """Take the lowest expected tonight, written in the reader's unit, as the forecast of the night."""
    unit, now_ms, site = unit_of(request), state.clock.now().utc_ms, state.settings.site
    try:
        value = float(lowest.strip().replace(",", ".").replace(words.MINUS, "-"))
        lowest_c = fahrenheit_to_c(value) if unit is words.Unit.F else value
    except ValueError as error:
        raise HTTPException(422, f"{lowest!r} is no number; write the lowest expected, such as -3.5") from error
    if not COLDEST_C <= lowest_c <= WARMEST_C:
        bounds = f"{unit.shown(COLDEST_C):g} to {unit.shown(WARMEST_C):g} {unit.sign}"
        raise HTTPException(422, f"{lowest.strip()} {unit.sign} is outside {bounds}; look at the unit")
    dark = coming_night(now_ms, site.latitude, site.longitude)
    if dark is None:
        raise HTTPException(
            422, "the sun does not rise and set here now, so there is no night to expect anything of; feed in the hours"
        )
    expected = typed_in(dark, now_ms, outside_now_c(state), lowest_c)
    take_forecast(state, Told(expected, []), now_ms, person.name)
    return RedirectResponse("/tonight", 303)


def _hold(
    state: State, enclosure: Enclosure, thought: tuple[int, dict[str, Any] | None] | None, told: Foretold | None
) -> dict[str, Any]:
    past = hindsight.past_nights(state, enclosure)
    errors = {name: hindsight.error_of([getattr(each, name) for each in past]) for name in ("soil_c", "energy_kwh")}
    carry = None if thought is None else thought[1]
    return {
        "at": None if thought is None else rfc3339(thought[0]),
        "carry": carry,
        "unheated": unheated_now(state, enclosure, Unit.C),
        "chance_colder": None if carry is None or told is None else colder_than_held(carry, told.forecast),
        "error": {name: None if each is None else asdict(each) for name, each in errors.items()},
    }
