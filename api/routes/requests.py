"""What became of a request: the controller's answer is an entry in the journal."""

from dataclasses import dataclass
from typing import Annotated, Any

from fastapi import HTTPException
from fastapi import Path as InPath

from api.auth import StateNow, Viewer
from api.examples import REQUEST, shows
from api.pages.record import CLOCK_SET_BACK_MS
from api.problem import Router, example
from api.seen import span_in_words
from api.state import State
from controller.clock import rfc3339
from controller.errors import StoreError
from controller.store import journal, requests
from controller.store.requests import Request

router = Router(prefix="/api/requests", tags=["changes"])

SOON_MS = 5_000
"""[ms] The controller reads requests on every tick; a longer wait is worth a word."""


@dataclass(frozen=True, slots=True)
class Answer:
    """`state` is waiting, done or refused; `detail` says it in words; `answered_ms` [ms UTC] is None while waiting."""

    state: str
    detail: str
    answered_ms: int | None


@router.get(
    "/{request}",
    responses={
        **shows(REQUEST),
        **example(401, "sign in, or send a bearer token"),
        **example(404, "there is no request 9999"),
    },
)
def request_now(request: Annotated[int, InPath(ge=1, le=2**53)], state: StateNow, person: Viewer) -> dict[str, Any]:
    """Give a request with the controller's answer, or say that it is still waiting."""
    found = state.requests.do(requests.get, request)
    if found is None:
        raise HTTPException(404, f"there is no request {request}")
    answer = answer_to(state, found)
    return {
        "id": found.id,
        "state": answer.state,
        "detail": answer.detail,
        "at": rfc3339(found.at_ms),
        "enclosure": found.enclosure,
        "kind": found.kind,
        "arguments": found.arguments,
        "who": found.who,
        "why": found.why,
        "answered": None if answer.answered_ms is None else rfc3339(answer.answered_ms),
    }


def answer_to(state: State, asked: Request) -> Answer:
    """Return the controller's answer to a request, from the journal's entry of kind `answer` that names its id."""
    try:
        with state.reading("journal.db") as connection:
            since_ms = max(0, asked.at_ms - CLOCK_SET_BACK_MS)
            answers = journal.read(connection, asked.enclosure, "answer", since_ms, None, journal.MOST_ENTRIES)
    except StoreError:
        # No journal yet means that no controller has run here, so nothing can have been answered.
        answers = []
    for entry in answers:
        if entry.body.get("request") == asked.id:
            return Answer(str(entry.body.get("outcome")), str(entry.body.get("detail", "")), entry.at_ms)
    waited_ms = state.clock.now().utc_ms - asked.at_ms
    if waited_ms < SOON_MS:
        return Answer("waiting", "the controller answers on its next tick", None)
    waited = span_in_words(waited_ms / 1000)
    return Answer("waiting", f"no answer for {waited}; does the controller run?", None)
