"""Asking the controller for a change: always filed with who and why, never done here."""

from typing import Annotated, Any

from fastapi import Body, Header
from fastapi.openapi.models import Example

from api import asking
from api.auth import Operator, StateNow
from api.examples import ACCEPTED, ADOPTED, shows
from api.orders import refuse_stale
from api.problem import Router, example
from api.schemas import Acknowledge, Adopt, Arm, AtWork, Disarm, Reset, SetPoint, Shelve, Stop, Trial

router = Router(prefix="/api/enclosures/{enclosure}", tags=["changes"])

_ANSWERS: dict[int | str, dict[str, Any]] = {
    **shows(ACCEPTED, 202),
    **example(401, "sign in, or send a bearer token"),
    **example(403, "'neighbour' has the role view; changing needs the role operate"),
    **example(404, "enclosure 'oak' is not in settings; known: larch, elder, southwall"),
    **example(422, "set point 75.0 Cel is above the hard limit 32.0; did you mean 75 F? send 23.9"),
}
_STALE_ANSWERS = {
    **_ANSWERS,
    **example(
        412,
        "enclosure 'larch' has changed since you looked: keeper asked for 19.5 Cel (slips look cold). "
        "Nothing was asked; look again first",
    ),
}
_RESET_ANSWERS = {
    **_STALE_ANSWERS,
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


_STOPS = {"stop": Example(summary="at once", value={}), "why": Example(summary="with a reason", value={"why": "smoke"})}
_AT_WORK = {"half": Example(summary="half an hour", value={"minutes": 30, "why": "tying in the figs"})}
_SHELVES = {
    "quiet": Example(
        summary="quiet for the night", value={"alert": "probe:air-low", "hours": 8, "why": "new one ordered"}
    )
}
_ACKNOWLEDGES = {
    "noted": Example(summary="after looking into it", value={"sequence": 118, "why": "card was cloned by me"})
}
_TRIALS = {
    "pulses": Example(summary="six pulses in the coming night", value={"pulses": 6, "why": "new cable, tune it"}),
    "end": Example(summary="end it", value={"pulses": 0, "why": "frost is coming"}),
}
_ADOPTS = {"found": Example(summary="as found", value=ADOPTED)}
_SHELVE_ANSWERS = {
    **_ANSWERS,
    **example(409, "'air-fire:air-low' is a trip; trips are not put aside but reset, once their cause is gone"),
    **example(503, "the controller is not heard, so nobody knows how alert 'probe:air-low' stands"),
}
IfMatch = Annotated[
    str | None,
    Header(
        alias="If-Match",
        max_length=400,
        description="The ETag of `GET /api/enclosures/{enclosure}`: the change is refused with 412, saying what "
        "changed, if somebody asked for another one since, or the orders are others now. Without it the change is "
        "filed whatever has changed.",
    ),
]


def _accepted(request: int) -> dict[str, Any]:
    return {"request": request, "answer": f"/api/requests/{request}"}


@router.post("/set-point", status_code=202, responses=_STALE_ANSWERS)
def set_point(
    enclosure: str,
    asked: Annotated[SetPoint, Body(openapi_examples=_SET_POINTS)],
    state: StateNow,
    person: Operator,
    if_match: IfMatch = None,
) -> dict[str, Any]:
    """Ask for another soil temperature [Cel], or go back to the schedule."""
    refuse_stale(state, state.enclosure(enclosure).name, if_match)
    return _accepted(asking.ask_set_point(state, person, enclosure, asked))


@router.post("/arm", status_code=202, responses=_STALE_ANSWERS)
def arm(
    enclosure: str,
    asked: Annotated[Arm, Body(openapi_examples=_WHY)],
    state: StateNow,
    person: Operator,
    if_match: IfMatch = None,
) -> dict[str, Any]:
    """Let this enclosure be heated."""
    refuse_stale(state, state.enclosure(enclosure).name, if_match)
    return _accepted(asking.ask_arm(state, person, enclosure, asked))


@router.post("/disarm", status_code=202, responses=_STALE_ANSWERS)
def disarm(
    enclosure: str,
    asked: Annotated[Disarm, Body(openapi_examples=_WHY)],
    state: StateNow,
    person: Operator,
    if_match: IfMatch = None,
) -> dict[str, Any]:
    """Take heat away from this enclosure until it is armed again."""
    refuse_stale(state, state.enclosure(enclosure).name, if_match)
    return _accepted(asking.ask_disarm(state, person, enclosure, asked))


@router.post("/reset", status_code=202, responses=_RESET_ANSWERS)
def reset(
    enclosure: str,
    asked: Annotated[Reset, Body(openapi_examples=_RESETS)],
    state: StateNow,
    person: Operator,
    if_match: IfMatch = None,
) -> dict[str, Any]:
    """End a trip whose cause is gone; heat returns no sooner than 5 min later."""
    refuse_stale(state, state.enclosure(enclosure).name, if_match)
    return _accepted(asking.ask_reset(state, person, enclosure, asked))


@router.post("/stop", status_code=202, responses={**_ANSWERS, **example(503, "the stop could not be written down")})
def stop(
    enclosure: str,
    state: StateNow,
    person: Operator,
    asked: Annotated[Stop | None, Body(openapi_examples=_STOPS)] = None,
) -> dict[str, Any]:
    """Lock heat off at once, until somebody resets it. Needs no body and heeds no `If-Match`."""
    return _accepted(asking.ask_stop(state, person, enclosure, asked or Stop()))


@router.post("/at-work", status_code=202, responses=_ANSWERS)
def at_work(
    enclosure: str, asked: Annotated[AtWork, Body(openapi_examples=_AT_WORK)], state: StateNow, person: Operator
) -> dict[str, Any]:
    """Keep heat off while somebody works there, at most 60 min; afterwards the enclosure is disarmed."""
    return _accepted(asking.ask_at_work(state, person, enclosure, asked))


@router.post("/shelve", status_code=202, responses=_SHELVE_ANSWERS)
def shelve(
    enclosure: str, asked: Annotated[Shelve, Body(openapi_examples=_SHELVES)], state: StateNow, person: Operator
) -> dict[str, Any]:
    """Put an alert aside for at most 8 h; a trip cannot be."""
    return _accepted(asking.ask_shelve(state, person, enclosure, asked))


@router.post("/acknowledge", status_code=202, responses=_ANSWERS)
def acknowledge(
    enclosure: str,
    asked: Annotated[Acknowledge, Body(openapi_examples=_ACKNOWLEDGES)],
    state: StateNow,
    person: Operator,
) -> dict[str, Any]:
    """Take note of a break in the journal's chain, which otherwise keeps this enclosure from being armed."""
    return _accepted(asking.ask_acknowledge(state, person, enclosure, asked))


@router.post("/trial", status_code=202, responses=_ANSWERS)
def trial(
    enclosure: str, asked: Annotated[Trial, Body(openapi_examples=_TRIALS)], state: StateNow, person: Operator
) -> dict[str, Any]:
    """Ask for pulses of heat in the coming night, within bounds, to learn the enclosure by; 0 pulses end a trial."""
    return _accepted(asking.ask_trial(state, person, enclosure, asked))


@router.post("/adopt", status_code=202, responses=_ANSWERS)
def adopt(
    enclosure: str, asked: Annotated[Adopt, Body(openapi_examples=_ADOPTS)], state: StateNow, person: Operator
) -> dict[str, Any]:
    """Adopt a model found by `soilward tune`; the planner takes it at its next half hour."""
    return _accepted(asking.ask_adopt(state, person, enclosure, asked))
