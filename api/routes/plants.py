"""Plants, their stages, damage and harvests over HTTP."""

from collections.abc import Callable
from typing import Annotated, Any, TypeVar

from fastapi import Body, HTTPException, Path, Request, Response
from fastapi.concurrency import run_in_threadpool
from fastapi.openapi.models import Example

from api.auth import Operator, StateNow, Viewer
from api.examples import shows
from api.problem import Router, example
from api.season import examples, site_plants
from api.season.plant_fields import FieldError
from api.season.plants import PlantError
from api.season.schemas import NoteBody, PlantBody
from api.state import State

router = Router(prefix="/api/season", tags=["season"])
T = TypeVar("T")
Number = Annotated[int, Path(ge=1, le=2**53)]

_SIGN_IN = example(401, "sign in, or send a bearer token")
_UNKNOWN = example(404, "plant 9 is not known; the list of plants has the numbers")
_REFUSALS: dict[int | str, dict[str, Any]] = {
    **_SIGN_IN,
    **example(403, "'neighbour' has the role view; changing needs the role operate"),
    **example(409, "plant 'L1' is there already, as number 1; choose another name"),
    **example(422, "day: '2026-13-01' is no day; write it like 2026-08-19"),
}
_PLANT = {"plant": Example(summary="a young fig under heat", value=examples.PLANT_ASKED)}
_ONE = {**shows(examples.PLANT), **_SIGN_IN, **_UNKNOWN}
_KEPT = {**shows(examples.NOTE_KEPT, 201), **_REFUSALS, **_UNKNOWN}
_CSV = {"requestBody": {"required": True, "content": {"text/csv": {"example": examples.PLANTS_CSV}}}}
_SEEN = {name: Example(summary=name, value={"kind": name, **value}) for name, value in examples.NOTES_ASKED.items()}


@router.get(
    "/plants.csv", response_class=Response, responses={**shows(examples.PLANTS_CSV, 200, "text/csv"), **_SIGN_IN}
)
def csv_out(state: StateNow, person: Viewer) -> Response:
    """Give every plant and every note that stands as one file (RFC 4180); photographs are not in it."""
    named = {"Content-Disposition": 'attachment; filename="soilward-plants.csv"'}
    return Response(site_plants.file_of(state), media_type="text/csv; charset=utf-8", headers=named)


@router.post("/plants.csv", openapi_extra=_CSV, responses={**shows({"plants": 1, "notes": 3}), **_REFUSALS})
async def csv_in(request: Request, state: StateNow, person: Operator) -> dict[str, int]:
    """Take a file of that form, all of it or nothing; what is here already adds nothing. At most 1 MiB at once."""
    content = await request.body()
    taken = await run_in_threadpool(_kept, lambda: site_plants.take_file(state, person, content), 422)
    return {"plants": taken.plants, "notes": taken.notes}


@router.get("/plants", responses={**shows({"plants": [examples.PLANT]}), **_SIGN_IN})
def listed(state: StateNow, person: Viewer) -> dict[str, Any]:
    """Give every plant with its newest stage and last harvest, those still watched first."""
    return {"plants": [site_plants.plant_said(*each) for each in site_plants.all_known(state)]}


@router.post("/plants", status_code=201, responses={**shows(examples.PLANT, 201), **_REFUSALS})
def add(
    asked: Annotated[PlantBody, Body(openapi_examples=_PLANT)], state: StateNow, person: Operator
) -> dict[str, Any]:
    """Add a plant."""
    return _plant(state, _kept(lambda: site_plants.keep_plant(state, person, asked.plant())))


@router.get("/plants/{number}", responses=_ONE)
def one(number: Number, state: StateNow, person: Viewer) -> dict[str, Any]:
    """Give one plant with everything that was seen on it, newest first."""
    return _plant(state, number)


@router.put("/plants/{number}", responses={**_ONE, **_REFUSALS})
def change(
    number: Number,
    asked: Annotated[PlantBody, Body(openapi_examples=_PLANT)],
    state: StateNow,
    person: Operator,
) -> dict[str, Any]:
    """Say what is true of a plant now; what was said before is kept."""
    _known(state, number)
    return _plant(state, _kept(lambda: site_plants.keep_plant(state, person, asked.plant(), number)))


@router.post("/plants/{number}/notes", status_code=201, responses=_KEPT)
def note(
    number: Number,
    asked: Annotated[NoteBody, Body(openapi_examples=_SEEN)],
    state: StateNow,
    person: Operator,
) -> dict[str, Any]:
    """Keep what was seen on a plant: a stage, damage, a harvest, a crop that never ripened, or a remark."""
    _known(state, number)
    kept = _kept(lambda: site_plants.keep_note(state, person, number, asked.note(), asked.replaces))
    return {"plant": number, "number": kept}


@router.post("/plants/{number}/notes/{note}/withdraw", status_code=204, responses={**_REFUSALS, **_UNKNOWN})
def withdraw(number: Number, note: Number, state: StateNow, person: Operator) -> Response:
    """Say that a note was a mistake; it no longer counts, and is kept."""
    _known(state, number)
    _kept(lambda: site_plants.take_back(state, person, number, note))
    return Response(status_code=204)


def _kept(keep: Callable[[], T], status: int = 409) -> T:
    try:
        return keep()
    except FieldError as error:
        raise HTTPException(422, str(error)) from error
    except PlantError as error:
        raise HTTPException(status, str(error)) from error


def _known(state: State, number: int) -> None:
    try:
        site_plants.known(state, number)
    except PlantError as error:
        raise HTTPException(404, str(error)) from error


def _plant(state: State, number: int) -> dict[str, Any]:
    _known(state, number)
    kept, seen = site_plants.known(state, number), site_plants.seen_on(state, number)
    pictures = site_plants.all_photographs(state)
    notes = [site_plants.note_said(each, kept.what.scale, pictures.get(each.number, ())) for each in seen]
    return {**site_plants.plant_said(kept, seen), "notes": notes}
