"""Signing in and out, and choosing Cel or Fahrenheit."""

from typing import Annotated

from fastapi import Depends, Form, HTTPException, Query, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from api import auth
from api.auth import DoorNow
from api.pages import words
from api.pages.again import carried, waiting
from api.pages.render import UNIT_COOKIE, own_path, page
from api.problem import LONGEST_PATH, Router

router = Router(include_in_schema=False)

_YEAR_S = 31_536_000
_Path = Annotated[str, Query(alias="next", max_length=LONGEST_PATH)]


@router.get("/sign-in")
@router.get("/login")
def sign_in_page(request: Request, then: _Path = "/") -> HTMLResponse:
    """The form to sign in with; `next` is the page to go on to."""
    return page(request, "sign-in.html", then=own_path(then), kept=(), name="", fault="")


@router.post("/sign-in")
def sign_in(
    request: Request,
    state: DoorNow,
    name: Annotated[str, Form(max_length=40)],
    password: Annotated[str, Form(max_length=200)],
    brought: Annotated[dict[str, str], Depends(carried)],
    then: Annotated[str, Form(max_length=LONGEST_PATH)] = "/",
) -> Response:
    """Sign in and go on; a wrong name or password comes back to the form with the reason."""
    try:
        token = auth.log_in(request, name, password)
    except HTTPException as error:
        shown = f"{words.capital(str(error.detail))}."
        kept = tuple(brought.items())
        return page(request, "sign-in.html", error.status_code, then=own_path(then), kept=kept, name=name, fault=shown)
    form = waiting(brought)
    form = form if form and own_path(form.action) == form.action else None
    # Sending it is a person's decision: since they wrote it the night may have changed.
    answer = page(request, "waiting.html", again=form, person=name) if form else RedirectResponse(own_path(then), 303)
    auth.set_cookie(answer, state.settings, token)
    return answer


@router.post("/sign-out")
def sign_out(request: Request) -> Response:
    """End the session."""
    auth.log_out(request)
    answer = RedirectResponse("/sign-in", 303)
    answer.delete_cookie(auth.COOKIE, path="/")
    return answer


@router.post("/unit")
def choose_unit(
    to: Annotated[str, Query(pattern="^[CF]$")], back: Annotated[str, Form(max_length=LONGEST_PATH)] = "/"
) -> Response:
    """Remember Cel or Fahrenheit in a cookie and go back to the page."""
    answer = RedirectResponse(own_path(back), 303)
    answer.set_cookie(UNIT_COOKIE, to, max_age=_YEAR_S, httponly=True, samesite="lax", path="/")
    return answer
