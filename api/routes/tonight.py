"""Tonight: how cold, what is in danger, and whether each heater can carry it."""

from dataclasses import asdict
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from api.auth import StateNow, Viewer
from api.examples import TONIGHT, shows
from api.pages.render import page, unit_of
from api.pages.tonight import night_shown
from api.problem import example
from api.season import hindsight
from api.season.alarm import Place, Stage, alarm
from api.season.site_night import tonight
from api.season.tonight import chance
from api.state import State
from controller.clock import rfc3339
from controller.errors import StoreError
from controller.settings import Enclosure
from controller.store import plans

router = APIRouter()


@router.get(
    "/api/season/tonight",
    tags=["season"],
    responses={**shows(TONIGHT), **example(401, "sign in, or send a bearer token")},
)
def tonight_now(state: StateNow, person: Viewer) -> dict[str, Any]:
    """Give the lowest air expected tonight with its spread, the chance of each frost limit, what each heater can do.

    `told` is null where nothing can be told yet; `why_none` says why. `by` is "probe" (the site's own, from two hours
    after sunset on) or "forecast" (fed in). `spread_k` is one standard deviation, learnt from the site's own nights.
    """
    found = tonight(state)
    holds = {each.name: _hold(state, each) for each in state.settings.enclosure}
    if found is None:
        return {"night": None, "told": None, "why_none": "no outside probe, or no sunset", "enclosures": holds}
    night = {"sunset": rfc3339(found.dark.sunset_ms), "sunrise": rfc3339(found.dark.sunrise_ms)}
    known = {"night": night, "why_none": found.why_none, "lowest_so_far_c": found.lowest_c, "enclosures": holds}
    if found.told is None:
        return {**known, "told": None}
    told = found.told
    limits = []
    # Under cover the air meant is that under the cover, which this does not tell.
    for place in (Place.GROUND, Place.CONTAINER):
        for stage in Stage:
            limit = alarm(stage, place)
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
    return {**known, "told": {"by": told.by, **asdict(told.forecast), "nights": found.fit.nights}, "limits": limits}


@router.get("/tonight", include_in_schema=False)
def tonight_page(request: Request, state: StateNow, person: Viewer) -> HTMLResponse:
    """The page."""
    return page(request, "tonight.html", n=night_shown(state, unit_of(request)), here="tonight")


def _hold(state: State, enclosure: Enclosure) -> dict[str, Any]:
    try:
        with state.reading("plans.db") as connection:
            thought = plans.carry_of(connection, enclosure.name)
        past = hindsight.past_nights(state, enclosure)
    except StoreError:
        thought, past = None, []
    errors = {name: hindsight.error_of([getattr(each, name) for each in past]) for name in ("soil_c", "energy_kwh")}
    carry = None if thought is None else thought[1]
    return {
        "at": None if thought is None else rfc3339(thought[0]),
        "carry": carry,
        "error": {name: None if each is None else asdict(each) for name, each in errors.items()},
    }
