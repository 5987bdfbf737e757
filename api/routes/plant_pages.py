"""The pages of plants: the list, and one plant with quick entry; whole without script."""

from collections.abc import Callable
from dataclasses import replace
from typing import Annotated, Any

from fastapi import Depends, Form, Request, UploadFile
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from pydantic import BaseModel, Field
from starlette.exceptions import HTTPException

from api.auth import Operator, StateNow, Viewer
from api.pages import again
from api.pages import plants as shown
from api.pages.render import page
from api.problem import Router
from api.routes.photographs import refusal
from api.routes.sent import Sent
from api.season import site_photographs, site_plants
from api.season.bbch import Scale, codes
from api.season.picture import LARGEST_BYTES
from api.season.plant_fields import note_of, plant_of
from api.season.plant_notes import Kind
from api.season.plants import Kept, Plant, PlantError, Protection
from api.season.plants_csv import Taken
from api.state import State

router = Router(prefix="/plants", include_in_schema=False, dependencies=[Depends(again.note)])
Short = Annotated[str, Field(max_length=80)]


class PlantForm(BaseModel):
    """A plant as a form sends it; `plant_of` says what is wrong with it."""

    name: Short = ""
    cultivar: Short = ""
    place: Short = ""
    enclosure: Short = ""
    protection: Short = ""
    stands: Short = ""
    planted: Short = ""
    scale: Short = ""


class NoteForm(BaseModel):
    """A note as a form sends it; `replaces` is the number of the one that it corrects."""

    kind: Short = ""
    day: Short = ""
    code: Short = ""
    share_pct: Short = ""
    count: Short = ""
    grams: Short = ""
    crop: Short = ""
    words: Annotated[str, Field(max_length=400)] = ""
    replaces: Annotated[int | None, Field(ge=1, le=2**53)] = None


class OnNote(BaseModel):
    """Which note a photograph belongs to."""

    note: Annotated[int, Field(ge=1, le=2**53)]


_CHOICES: dict[str, Any] = {
    "protections": list(Protection),
    "scales": {Scale.FIG: "fig", Scale.GENERAL: "any other plant"},
}


@router.get("")
def listed(request: Request, state: StateNow, person: Viewer) -> HTMLResponse:
    """Every plant with its stage in words, its date and its last harvest."""
    return _list(request, state)


@router.post("")
def add(request: Request, state: StateNow, person: Operator, asked: Annotated[PlantForm, Form()]) -> Response:
    """Add a plant."""
    try:
        number = site_plants.keep_plant(state, person, plant_of(asked.model_dump()))
    except PlantError as error:
        return _list(request, state, _said(error))
    return RedirectResponse(f"/plants/{number}", 303)


@router.post("/csv")
def take(request: Request, state: StateNow, person: Operator, file: UploadFile | None = None) -> Response:
    """Take a file of plants and notes, all of it or nothing."""
    content = b"" if file is None else file.file.read()
    if not content.strip():
        return _list(request, state, "file: nothing is in it, or none was chosen; choose one that this page gave")
    try:
        return _list(request, state, taken=site_plants.take_file(state, person, content))
    except PlantError as error:
        return _list(request, state, str(error))


@router.get("/{number}")
def one(number: int, request: Request, state: StateNow, person: Viewer) -> HTMLResponse:
    """One plant: what was seen on it, and what may be noted with a thumb."""
    return _one(request, state, number)


@router.post("/{number}/details")
def change(
    number: int, request: Request, state: StateNow, person: Operator, asked: Annotated[PlantForm, Form()]
) -> Response:
    """Say what is true of a plant now; what was said before is kept."""

    def keep() -> None:
        new = replace(plant_of(asked.model_dump()), active=_known(state, number).what.active)
        site_plants.keep_plant(state, person, new, number)

    return _done(request, state, number, keep)


@router.post("/{number}/notes")
def note(number: int, request: Request, state: StateNow, person: Operator, form: Sent) -> Response:
    """Keep what was seen, or a correction of it, with a photograph or without."""
    asked = form.read(NoteForm)

    def keep() -> None:
        fields = asked.model_dump()
        if not form.photograph:
            site_plants.keep_note(state, person, number, note_of(fields), asked.replaces, tapped=True)
            return
        if asked.kind == Kind.REMARK and not asked.words.strip():
            fields["words"] = site_photographs.WITHOUT_WORDS
        new = note_of(fields)
        site_photographs.keep_with_photograph(state, person, number, new, form.photograph, asked.replaces)

    return _done(request, state, number, keep)


@router.post("/{number}/photographs")
def photograph(number: int, request: Request, state: StateNow, person: Operator, form: Sent) -> Response:
    """Keep a photograph on a note that stands."""
    asked = form.read(OnNote)
    return _done(
        request,
        state,
        number,
        lambda: site_photographs.add_photograph(state, person, number, asked.note, form.photograph),
    )


@router.post("/{number}/photographs/remove")
def remove(
    number: int, request: Request, state: StateNow, person: Operator, photograph: Annotated[int, Form(ge=1, le=2**53)]
) -> Response:
    """Remove a photograph for good."""
    return _done(request, state, number, lambda: site_photographs.remove_photograph(state, person, photograph))


@router.post("/{number}/withdraw")
def withdraw(
    number: int, request: Request, state: StateNow, person: Operator, note: Annotated[int, Form(ge=1, le=2**53)]
) -> Response:
    """Take a note back; its row is kept."""
    return _done(request, state, number, lambda: site_plants.take_back(state, person, number, note))


@router.post("/{number}/watched")
def watched(
    number: int, request: Request, state: StateNow, person: Operator, active: Annotated[str, Form(max_length=3)]
) -> Response:
    """Watch a plant no longer, or again; what was seen on it is kept."""
    now = replace(_known(state, number).what, active=active == "yes")
    return _done(request, state, number, lambda: site_plants.keep_plant(state, person, now, number))


def _done(request: Request, state: State, number: int, keep: Callable[[], object]) -> Response:
    _known(state, number)
    try:
        keep()
    except PlantError as error:
        return _one(request, state, number, _said(error), refusal(error, 422))
    return RedirectResponse(f"/plants/{number}#seen", 303)


def _said(error: PlantError) -> str:
    """Name the field at fault as the form does, not as a file's column."""
    text, column = str(error), getattr(error, "column", "")
    return f"{again.LABELS[column]}{text.removeprefix(column)}" if column in again.LABELS else text


def _known(state: State, number: int) -> Kept[Plant]:
    try:
        return site_plants.known(state, number)
    except (PlantError, OverflowError) as error:
        raise HTTPException(404, f"plant {number} is not known; the list of plants has the numbers") from error


def _list(request: Request, state: State, fault: str = "", taken: Taken | None = None) -> HTMLResponse:
    today = site_plants.today(state)
    known = site_plants.all_known(state)
    return page(
        request,
        "plants.html",
        422 if fault else 200,
        here="plants",
        fault=fault,
        taken=taken,
        rows=[shown.plant_row(*each, today) for each in known if each[0].what.active],
        gone=[shown.plant_row(*each, today) for each in known if not each[0].what.active],
        **_CHOICES,
    )


def _one(request: Request, state: State, number: int, fault: str = "", status: int = 200) -> HTMLResponse:
    kept, today = _known(state, number), site_plants.today(state)
    quick, others = shown.choices(kept.what.scale)
    seen, pictures = site_plants.seen_on(state, number), site_plants.all_photographs(state)
    return page(
        request,
        "plant.html",
        status,
        here="plants",
        fault=fault,
        plant=kept.what,
        number=number,
        row=shown.plant_row(kept, seen, today),
        notes=shown.note_rows(kept.what, seen, pictures, today),
        stages=codes(kept.what.scale),
        today=today.isoformat(),
        quick=quick,
        others=others,
        crops=shown.CROPS,
        largest_mib=LARGEST_BYTES // 1_048_576,
        gone=shown.gone_rows(
            kept.what, site_plants.gone_from(state, number), pictures, state.settings.site.zone, today
        ),
        entered=shown.entered(kept, state.settings.site.zone, today),
        **_CHOICES,
    )
