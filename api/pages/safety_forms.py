"""Forms that take heat away or answer an alert: one tap where it matters, a reason where there is time for one."""

from typing import Annotated

from fastapi import Depends, Form, Request
from fastapi.responses import RedirectResponse, Response

from api import asking
from api.auth import Operator, StateNow
from api.pages import again
from api.pages.filing import filed
from api.problem import Router
from api.schemas import Acknowledge, AtWork, Shelve, Stop

router = Router(include_in_schema=False, dependencies=[Depends(again.note)])

Why = Annotated[str, Form(max_length=300)]
_SHORTEST_WHY = 3


@router.post("/enclosures/{enclosure}/stop")
def ask_stop(enclosure: str, request: Request, state: StateNow, person: Operator) -> Response:
    """Lock heat off: one tap, nothing to fill in, nothing to confirm (hazard A08)."""
    return filed(request, enclosure, lambda: asking.ask_stop(state, person, enclosure, Stop()))


@router.post("/enclosures/{enclosure}/at-work")
def ask_at_work(
    enclosure: str,
    request: Request,
    state: StateNow,
    person: Operator,
    minutes: Annotated[float, Form()],
    why: Why = "",
) -> Response:
    """Keep heat off while the person works there; a reason may be left out."""
    said = why if len(why.strip()) >= _SHORTEST_WHY else "working there"
    return filed(
        request, enclosure, lambda: asking.ask_at_work(state, person, enclosure, AtWork(minutes=minutes, why=said))
    )


@router.post("/enclosures/{enclosure}/shelve")
def ask_shelve(
    enclosure: str,
    request: Request,
    state: StateNow,
    person: Operator,
    why: Why,
    alert: Annotated[str, Form(max_length=100)],
    hours: Annotated[float, Form()],
) -> Response:
    """Put an alert aside for some hours."""
    return filed(
        request,
        enclosure,
        lambda: asking.ask_shelve(state, person, enclosure, Shelve(alert=alert, hours=hours, why=why)),
    )


@router.post("/journal/acknowledge")
def ask_acknowledge(
    request: Request, state: StateNow, person: Operator, why: Why, sequence: Annotated[int, Form()]
) -> Response:
    """Take note of a break in the journal's chain, for every enclosure at once."""

    def ask() -> int:
        asked = Acknowledge(sequence=sequence, why=why)
        return [asking.ask_acknowledge(state, person, each.name, asked) for each in state.settings.enclosure][-1]

    answer = filed(request, state.settings.enclosure[0].name, ask)
    return RedirectResponse("/journal?kind=answer", 303) if answer.status_code == 303 else answer
