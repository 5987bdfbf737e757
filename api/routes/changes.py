"""Asking the controller for a change: always filed with who and why, never done here."""

from typing import Annotated, Any

from fastapi import APIRouter, Body
from fastapi.openapi.models import Example

from api import asking
from api.auth import Operator, StateNow
from api.examples import ACCEPTED, shows
from api.problem import example
from api.schemas import Arm, Disarm, Reset, SetPoint

router = APIRouter(prefix="/api/enclosures/{enclosure}", tags=["changes"])

_ANSWERS: dict[int | str, dict[str, Any]] = {
    **shows(ACCEPTED, 202),
    **example(401, "sign in, or send a bearer token"),
    **example(403, "'neighbour' has the role view; changing needs the role operate"),
    **example(404, "enclosure 'oak' is not in settings; known: larch, elder, southwall"),
    **example(422, "set point 75.0 Cel is above the hard limit 32.0; did you mean 75 F? send 23.9"),
}
_RESET_ANSWERS = {
    **_ANSWERS,
    **example(409, "the cause of trip 'air-fire:air-low' is still present: air probe 'air-low' reads 58.1 Cel"),
    **example(429, "trip 'air-fire:air-low' was reset 3 times within 24 h, the most allowed is 3"),
    **example(503, "the controller is not heard, so nobody knows how trip 'air-fire:air-low' stands"),
}
_WHY = {"why": Example(summary="with a reason", value={"why": "figs moved in"})}
_SET_POINTS = {
    "warmer": Example(
        summary="warmer until the morning",
        value={"set_point_c": 19.5, "until": "2026-03-02T06:00:00Z", "why": "slips look cold"},
    ),
    "schedule": Example(summary="back to the schedule", value={"set_point_c": None, "why": "slips have rooted"}),
}
_RESETS = {
    "reset": Example(
        summary="after looking",
        value={"trip": "heater-surface-over:heater", "why": "cable was bunched under a pot; spread it out"},
    )
}


def _accepted(request: int) -> dict[str, Any]:
    return {"request": request, "answer": f"/api/requests/{request}"}


@router.post("/set-point", status_code=202, responses=_ANSWERS)
def set_point(
    enclosure: str,
    asked: Annotated[SetPoint, Body(openapi_examples=_SET_POINTS)],
    state: StateNow,
    person: Operator,
) -> dict[str, Any]:
    """Ask for another soil temperature [Cel], or go back to the schedule."""
    return _accepted(asking.ask_set_point(state, person, enclosure, asked))


@router.post("/arm", status_code=202, responses=_ANSWERS)
def arm(
    enclosure: str, asked: Annotated[Arm, Body(openapi_examples=_WHY)], state: StateNow, person: Operator
) -> dict[str, Any]:
    """Let this enclosure be heated."""
    return _accepted(asking.ask_arm(state, person, enclosure, asked))


@router.post("/disarm", status_code=202, responses=_ANSWERS)
def disarm(
    enclosure: str, asked: Annotated[Disarm, Body(openapi_examples=_WHY)], state: StateNow, person: Operator
) -> dict[str, Any]:
    """Take heat away from this enclosure until it is armed again."""
    return _accepted(asking.ask_disarm(state, person, enclosure, asked))


@router.post("/reset", status_code=202, responses=_RESET_ANSWERS)
def reset(
    enclosure: str, asked: Annotated[Reset, Body(openapi_examples=_RESETS)], state: StateNow, person: Operator
) -> dict[str, Any]:
    """End a trip whose cause is gone; heat returns no sooner than 5 min later."""
    return _accepted(asking.ask_reset(state, person, enclosure, asked))
