"""Forms by which a person asks for a change: filed with who and why, answered on the page that follows."""

import re
from collections.abc import Callable
from typing import Annotated

from fastapi import APIRouter, Form, HTTPException, Request
from fastapi.responses import RedirectResponse, Response
from pydantic import ValidationError

from api import asking
from api.auth import Operator, StateNow
from api.pages import words
from api.pages.render import page, unit_of
from api.pages.words import Unit
from api.schemas import Arm, Disarm, Reset, SetPoint
from api.state import State
from controller.clock import rfc3339
from controller.units import fahrenheit_to_c

router = APIRouter(prefix="/enclosures/{enclosure}")

Why = Annotated[str, Form(max_length=300)]
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
) -> Response:
    """File another set point, written in the reader's unit."""

    def ask() -> int:
        until_ms = state.clock.now().utc_ms + int(hours) * 3_600_000 if hours in ("12", "24", "72") else None
        until = rfc3339(until_ms) if until_ms else None
        value_c = _written_c(set_point, unit_of(request))
        return asking.ask_set_point(state, person, enclosure, SetPoint(set_point_c=value_c, until=until, why=why))

    return _filed(request, state, enclosure, ask)


@router.post("/schedule")
def ask_schedule(enclosure: str, request: Request, state: StateNow, person: Operator, why: Why) -> Response:
    """File the wish to go back to the schedule."""
    return _filed(
        request,
        state,
        enclosure,
        lambda: asking.ask_set_point(state, person, enclosure, SetPoint(set_point_c=None, until=None, why=why)),
    )


@router.post("/arm")
def ask_arm(enclosure: str, request: Request, state: StateNow, person: Operator, why: Why) -> Response:
    """File the wish that heat may run here."""
    return _filed(request, state, enclosure, lambda: asking.ask_arm(state, person, enclosure, Arm(why=why)))


@router.post("/disarm")
def ask_disarm(enclosure: str, request: Request, state: StateNow, person: Operator, why: Why) -> Response:
    """File the wish that no heat runs here."""
    return _filed(request, state, enclosure, lambda: asking.ask_disarm(state, person, enclosure, Disarm(why=why)))


@router.post("/reset")
def ask_reset(
    enclosure: str,
    request: Request,
    state: StateNow,
    person: Operator,
    why: Why,
    trip: Annotated[str, Form(max_length=100)],
) -> Response:
    """File the end of a trip."""
    return _filed(
        request, state, enclosure, lambda: asking.ask_reset(state, person, enclosure, Reset(trip=trip, why=why))
    )


def _filed(request: Request, state: State, enclosure: str, ask: Callable[[], int]) -> Response:
    """Ask, and go to the page that shows the answer; what is refused at once is said in words."""
    state.enclosure(enclosure)
    try:
        number = ask()
    except HTTPException as error:
        return _refused(request, enclosure, error.status_code, str(error.detail))
    except ValidationError as error:
        return _refused(request, enclosure, 422, "; ".join(_fault(each["loc"], each["msg"]) for each in error.errors()))
    except ValueError as error:
        return _refused(request, enclosure, 422, str(error))
    return RedirectResponse(f"/enclosures/{enclosure}?asked={number}", 303)


def _fault(where: tuple[int | str, ...], message: str) -> str:
    return f"say why, in at least three letters ({message})" if where == ("why",) else message


def _refused(request: Request, enclosure: str, status: int, why: str) -> Response:
    said = words.said(_for_readers(why, unit_of(request)), unit_of(request))
    return page(request, "refused.html", status, name=enclosure, why=said[:1].upper() + said[1:])


def _for_readers(fault: str, unit: Unit) -> str:
    """Give the bound its unit, and the hint at Fahrenheit a form that helps on a page."""
    bound = re.sub(r"(limit(?: of '[^']*',)?|allowed) (-?[0-9.]+[0-9])(?! Cel)", r"\1 \2 Cel", fault)
    if unit is Unit.F:
        return bound.partition("; did you mean")[0]
    return re.sub(r"; did you mean (\S+) F\? send (\S+)$", r". If you mean \1 °F, write \2.", bound)


def _written_c(written: str, unit: Unit) -> float:
    """Read a number as the reader writes it (a comma will do) and return [Cel]."""
    text = written.strip().replace(",", ".").replace(words.MINUS, "-")
    try:
        value = float(text)
    except ValueError as error:
        raise ValueError(f"the set point {written!r} is no number; write it like 18.5, in {unit.sign}") from error
    return value if unit is Unit.C else round(fahrenheit_to_c(value), 3)
