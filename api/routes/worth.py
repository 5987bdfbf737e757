"""Was the protection worth it: what ripened earlier, how much more, for how many kilowatt hours."""

from dataclasses import asdict
from typing import Annotated, Any, Literal

from fastapi import HTTPException, Query, Request
from fastapi.responses import HTMLResponse

from api.auth import StateNow, Viewer
from api.examples import shows
from api.pages.render import page
from api.pages.worth import worth_shown
from api.problem import Router, example
from api.season import worth_words
from api.season.examples import WORTH
from api.season.hours import date_at
from api.season.site_worth import CROPS, Grown, grown, season_at, season_of, years
from api.season.statistics import ComparisonError
from api.season.worth import Compared, compare
from api.state import State

router = Router()

Year = Annotated[int | None, Query(ge=1900, le=9998, description="The season's year; the one that is on if left out")]
Crop = Annotated[Literal["first", "main"], Query(description="On last year's wood, or on this year's")]
_WORDS = {"first": "first crop, on old wood", "main": "main crop, on new wood"}


@router.get(
    "/api/season/worth",
    tags=["season"],
    responses={
        **shows(WORTH),
        **example(401, "sign in, or send a bearer token"),
        **example(422, "tree 'north fig': damage of 1.4 is outside 0 (none) to 1 (dead)"),
    },
)
def worth_now(state: StateNow, person: Viewer, year: Year = None, crop: Crop = "first") -> dict[str, Any]:
    """Give each pair of protections compared: effect, exact interval and chance, and the smallest p so few could give.

    `effect` is the first protection less the second: days (negative is earlier), grams per tree, share damaged. An
    interval of null has no end.
    """
    found = _grown(state, year, crop)
    try:
        compared = compare(found.trees)
    except ComparisonError as fault:
        raise HTTPException(422, str(fault)) from fault
    return {
        "year": found.season.year,
        "crop": crop,
        "trees": len(found.trees),
        "used": {name: asdict(each) for name, each in found.used.items()},
        "compared": [_shown(each) for each in compared],
        "cautions": worth_words.cautions(compared, is_split=found.is_split),
    }


@router.get("/worth", include_in_schema=False)
def worth_page(
    request: Request, state: StateNow, person: Viewer, year: Year = None, crop: Crop = "first"
) -> HTMLResponse:
    """The page."""
    found = _grown(state, year, crop)
    known = sorted({found.season.year, *years(state)}, reverse=True)
    crops = [(each, _WORDS[each]) for each in CROPS]
    shown = worth_shown(state, found)
    return page(
        request, "worth.html", w=shown, years=known, chosen=found.season.year, crop=crop, crops=crops, here="season"
    )


def _grown(state: State, year: int | None, crop: str) -> Grown:
    site = state.settings.site
    if year is None:
        return grown(state, season_at(date_at(state.clock.now().utc_ms, site.zone), site.latitude), crop)
    return grown(state, season_of(year, site.latitude), crop)


def _shown(each: Compared) -> dict[str, Any]:
    def finite(value: float) -> float | None:
        return value if abs(value) < 1e300 else None

    told = {**asdict(each), "measure": each.measure.value, "low": finite(each.low), "high": finite(each.high)}
    return {**told, "says": worth_words.sentence(each)}
