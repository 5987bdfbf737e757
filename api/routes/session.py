"""Signing in and out."""

from typing import Annotated

from fastapi import Body, Request, Response
from fastapi.openapi.models import Example

from api import auth
from api.auth import DoorNow, Viewer
from api.examples import shows
from api.problem import Router, example
from api.schemas import LogIn

router = Router(prefix="/api/session", tags=["session"])

_WHO = {"name": "keeper", "role": "operate"}
_LOG_INS = {"keeper": Example(summary="the keeper", value={"name": "keeper", "password": "a long pass phrase"})}


@router.get("", responses={**shows(_WHO), **example(401, "sign in, or send a bearer token")})
def session(person: Viewer) -> dict[str, str]:
    """Say who is signed in."""
    return {"name": person.name, "role": person.role.value}


@router.post(
    "",
    status_code=204,
    responses={**example(401, "name or password is wrong"), **example(429, "too many tries; wait 42 s and try again")},
)
def start_session(
    asked: Annotated[LogIn, Body(openapi_examples=_LOG_INS)], request: Request, state: DoorNow
) -> Response:
    """Sign in with name and password; the answer sets the session cookie."""
    token = auth.log_in(request, asked.name, asked.password)
    response = Response(status_code=204)
    auth.set_cookie(response, state.settings, token)
    return response


@router.delete("", status_code=204, responses=example(401, "sign in, or send a bearer token"))
def end_session(request: Request, person: Viewer) -> Response:
    """Sign out."""
    auth.log_out(request)
    response = Response(status_code=204)
    response.delete_cookie(auth.COOKIE, path="/")
    return response
