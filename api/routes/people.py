"""People, added and removed by the command on this machine while the program runs, which alone writes their file."""

from typing import Any

from fastapi import Depends, HTTPException, Response

from api import asking, people
from api.auth import DoorNow, StateNow, keyholder
from api.people import PeopleError, Role
from api.problem import Router
from api.schemas import NewPerson, OnBehalf

router = Router(prefix="/api/people", include_in_schema=False, dependencies=[Depends(keyholder)])


@router.post("", status_code=201)
def add(asked: NewPerson, state: DoorNow) -> dict[str, Any]:
    """Add somebody."""
    try:
        person = state.season.do(people.add_person, asked.name, Role(asked.role), asked.password)
    except PeopleError as error:
        raise HTTPException(409, str(error)) from error
    return {"name": person.name, "role": person.role.value}


@router.delete("/{name:path}", status_code=204)
def remove(name: str, state: DoorNow) -> Response:
    """Remove somebody; their pages fall silent within 30 s."""
    try:
        state.season.do(people.remove_person, name)
    except PeopleError as error:
        raise HTTPException(404, str(error)) from error
    return Response(status_code=204)


@router.post("/{name:path}/token", status_code=201)
def token(name: str, state: DoorNow) -> dict[str, str]:
    """Make a bearer token; it is told once and only its hash is kept."""
    try:
        state.season.do(people.find_person, name)
    except PeopleError as error:
        raise HTTPException(404, str(error)) from error
    return {"token": state.season.do(people.new_session, name, state.clock.now().utc_ms, people.BEARER_MS)}


@router.post("/{name:path}/requests", status_code=202)
def ask(name: str, asked: OnBehalf, state: StateNow) -> dict[str, int]:
    """File a request as somebody who may change things, for the command that they type on this machine."""
    try:
        person = state.season.do(people.operating, name)
    except PeopleError as error:
        raise HTTPException(403, str(error)) from error
    return {"request": asking.ask_on_behalf(state, person, asked)}
