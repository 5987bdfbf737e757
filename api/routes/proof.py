"""The page of proof tests; their entries for programs are in the journal, kind "proof-test"."""

from typing import Annotated

from fastapi import HTTPException, Query, Request
from fastapi.responses import HTMLResponse

from api.auth import StateNow, Viewer
from api.pages import proof, site_lines
from api.pages.render import page, unit_of
from api.problem import Router

router = Router(include_in_schema=False)


@router.get("/proof/{enclosure}")
def proof_page(
    enclosure: str,
    request: Request,
    state: StateNow,
    person: Viewer,
    test: Annotated[int | None, Query(ge=1, le=2**53)] = None,
) -> HTMLResponse:
    """The newest test, or the one of that number in the journal, and a list of the others."""
    known, unit = state.enclosure(enclosure), unit_of(request)
    found = proof.tests(state, known, unit)
    shown = next((each for each in found if test in (None, each.sequence)), None)
    if test is not None and shown is None:
        raise HTTPException(404, f"there is no proof test {test} of {enclosure!r}; leave 'test' out for the newest")
    return page(
        request,
        "proof.html",
        here=enclosure,
        name=enclosure,
        line=site_lines.outside_line(state, unit),
        test=shown,
        due=proof.due(state, known),
        others=[each for each in found if each is not shown],
    )
