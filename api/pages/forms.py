"""Forms by which a person asks for heat, or for less: filed with who and why, answered on the page that follows.

Each carries what its reader saw, so that nobody undoes unknowingly what somebody else has asked since; only taking heat
away is never refused for that.
"""

from typing import Annotated

from fastapi import Depends, Form, Request
from fastapi.responses import Response

from api import asking
from api.auth import Operator, StateNow
from api.orders import refuse_stale
from api.pages import again, words
from api.pages.filing import filed
from api.pages.render import unit_of
from api.pages.words import Unit
from api.problem import Router
from api.schemas import Arm, Disarm, Reset, SetPoint
from controller.clock import rfc3339
from controller.units import fahrenheit_to_c

router = Router(prefix="/enclosures/{enclosure}", include_in_schema=False, dependencies=[Depends(again.note)])

Why = Annotated[str, Form(max_length=300)]
Seen = Annotated[str, Form(max_length=400)]
_HOUR_MS = 3_600_000


@router.post("/set-point")
def ask_set_point(
    enclosure: str,
    request: Request,
    state: StateNow,
    person: Operator,
    why: Why,
    set_point: Annotated[str, Form(max_length=12)],
    hours: Annotated[str, Form(max_length=4)] = "",
    seen: Seen = "",
) -> Response:
    """File another set point, written in the reader's unit."""

    def ask() -> int:
        until_ms = state.clock.now().utc_ms + int(hours) * _HOUR_MS if hours in ("12", "24", "72") else None
        until = rfc3339(until_ms) if until_ms else None
        asked = SetPoint(set_point_c=_written_c(set_point, unit_of(request)), until=until, why=why)
        refuse_stale(state, state.enclosure(enclosure).name, seen or None)
        return asking.ask_set_point(state, person, enclosure, asked)

    return filed(request, enclosure, ask)


@router.post("/schedule")
def ask_schedule(
    enclosure: str, request: Request, state: StateNow, person: Operator, why: Why, seen: Seen = ""
) -> Response:
    """File the wish to go back to the schedule."""

    def ask() -> int:
        asked = SetPoint(set_point_c=None, until=None, why=why)
        refuse_stale(state, state.enclosure(enclosure).name, seen or None)
        return asking.ask_set_point(state, person, enclosure, asked)

    return filed(request, enclosure, ask)


@router.post("/arm")
def ask_arm(enclosure: str, request: Request, state: StateNow, person: Operator, why: Why, seen: Seen = "") -> Response:
    """File the wish that heat may run here."""

    def ask() -> int:
        asked = Arm(why=why)
        refuse_stale(state, state.enclosure(enclosure).name, seen or None)
        return asking.ask_arm(state, person, enclosure, asked)

    return filed(request, enclosure, ask)


@router.post("/disarm")
def ask_disarm(enclosure: str, request: Request, state: StateNow, person: Operator, why: Why) -> Response:
    """File the wish that no heat runs here."""
    return filed(request, enclosure, lambda: asking.ask_disarm(state, person, enclosure, Disarm(why=why)))


@router.post("/reset")
def ask_reset(
    enclosure: str,
    request: Request,
    state: StateNow,
    person: Operator,
    why: Why,
    trip: Annotated[str, Form(max_length=100)],
    seen: Seen = "",
) -> Response:
    """File the end of a trip."""

    def ask() -> int:
        asked = Reset(trip=trip, why=why)
        refuse_stale(state, state.enclosure(enclosure).name, seen or None)
        return asking.ask_reset(state, person, enclosure, asked)

    return filed(request, enclosure, ask)


def _written_c(written: str, unit: Unit) -> float:
    """Read a number as the reader writes it (a comma will do) and return [Cel]."""
    text = written.strip().replace(",", ".").replace(words.MINUS, "-")
    try:
        value = float(text)
    except ValueError as error:
        raise ValueError(f"the set point {written!r} is no number; write it like 18.5, in {unit.sign}") from error
    return value if unit is Unit.C else round(fahrenheit_to_c(value), 3)
