"""Photographs on plants' notes over HTTP: sent as they are, given as they are kept, removed."""

from typing import Annotated, Any

from fastapi import HTTPException, Path, Query, Request, Response
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import FileResponse

from api.auth import Operator, StateNow, Viewer
from api.examples import shows
from api.problem import Router, example
from api.season import examples, site_photographs
from api.season.picture import PictureError
from api.season.picture_files import NoRoomError
from api.season.plants import PlantError

router = Router(prefix="/api/season", tags=["season"])
Number = Annotated[int, Path(ge=1, le=2**53)]

_BYTES = "the file's bytes"
_FORMS = ("image/jpeg", "image/png", "image/webp")
_SENT = {"requestBody": {"required": True, "content": {each: {"example": _BYTES} for each in _FORMS}}}
_SIGN_IN = example(401, "sign in, or send a bearer token")
_MAY_NOT = example(403, "'neighbour' has the role view; changing needs the role operate")
_NOT_THERE = example(404, "photograph 7 is not there; the plant's page shows those that are")
_REFUSALS: dict[int | str, dict[str, Any]] = {
    **_SIGN_IN,
    **_MAY_NOT,
    **example(409, "note 2 does not stand on plant 1; look again, it may have been corrected"),
    **example(413, "the body is larger than 12582912 bytes; send at most 12 MiB"),
    **example(422, "photograph: its first bytes (25 50 44 46) are of none of JPEG, PNG, WEBP; send one of these"),
    **example(507, "disk: 431 MiB are free, 512 must stay so for the record of the heat; make room"),
}


@router.post(
    "/plants/{number}/notes/{note}/photographs",
    status_code=201,
    openapi_extra=_SENT,
    responses={**shows(examples.PHOTOGRAPH_KEPT, 201), **_REFUSALS},
)
async def add(number: Number, note: Number, request: Request, state: StateNow, person: Operator) -> dict[str, int]:
    """Keep a photograph (JPEG, PNG or WebP, at most 12 MiB) on a note that stands; what it is, its content tells.

    Kept is a JPEG of at most 1600 pixels a side, upright, without anything that the camera wrote into it.
    """
    content = await request.body()
    try:
        kept = await run_in_threadpool(site_photographs.add_photograph, state, person, number, note, content)
    except PlantError as error:
        raise HTTPException(refusal(error, 409), str(error)) from error
    return {"plant": number, "note": note, "number": kept}


@router.get(
    "/photographs/{photograph}",
    response_class=FileResponse,
    responses={**shows(_BYTES, 200, "image/jpeg"), **_SIGN_IN, **_NOT_THERE},
)
def one(
    photograph: Number,
    request: Request,
    state: StateNow,
    person: Viewer,
    small: Annotated[bool, Query(description="At most 480 pixels a side")] = False,
) -> Response:
    """Give a photograph. Who asks is checked each time; a copy that is still right is not sent again (304)."""
    try:
        path, name = site_photographs.file_of(state, photograph, small=small)
    except PlantError as error:
        raise HTTPException(404, str(error)) from error
    headers = {
        "ETag": f'"{name}{"-small" if small else ""}"',
        "Cache-Control": "private, no-cache",
        "Content-Disposition": f'inline; filename="photograph-{photograph}.jpg"',
        "Cross-Origin-Resource-Policy": "same-origin",
    }
    if request.headers.get("if-none-match") == headers["ETag"]:
        return Response(status_code=304, headers=headers)
    return FileResponse(path, media_type="image/jpeg", headers=headers)


@router.delete("/photographs/{photograph}", status_code=204, responses={**_SIGN_IN, **_MAY_NOT, **_NOT_THERE})
def remove(photograph: Number, state: StateNow, person: Operator) -> Response:
    """Remove a photograph; its files are gone for good, that it was there and who removed it stays on record."""
    try:
        site_photographs.remove_photograph(state, person, photograph)
    except PlantError as error:
        raise HTTPException(refusal(error, 404), str(error)) from error
    return Response(status_code=204)


def refusal(error: PlantError, otherwise: int) -> int:
    """Return the status that a refused photograph is answered with."""
    if isinstance(error, NoRoomError):
        return 507
    return 422 if isinstance(error, PictureError) else otherwise
