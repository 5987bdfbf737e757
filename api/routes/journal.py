"""The journal, with its hashes, and whether its chain holds."""

from dataclasses import asdict
from typing import Annotated, Any

from fastapi import HTTPException, Query

from api import people
from api.auth import Operator, StateNow, Viewer
from api.chain import BusyError
from api.examples import JOURNAL_ENTRY, PROOF, REFUSAL, shows
from api.problem import Router, example
from api.span import SpanAsked
from controller.clock import rfc3339
from controller.store import journal
from controller.store.heads import Sealed
from controller.store.journal import StoredEntry

router = Router(prefix="/api/journal", tags=["journal"])

_SIGN_IN = example(401, "sign in, or send a bearer token")


@router.get("", responses={**shows([JOURNAL_ENTRY]), **_SIGN_IN, **example(422, "end must be after start")})
def entries(
    span: SpanAsked,
    state: StateNow,
    person: Viewer,
    enclosure: Annotated[str | None, Query(max_length=32, description="Only this enclosure's")] = None,
    kind: Annotated[str | None, Query(max_length=40, description="Only this kind, such as trip")] = None,
    limit: Annotated[int, Query(ge=1, le=journal.MOST_ENTRIES)] = 500,
) -> list[dict[str, Any]]:
    """Give entries of the span, newest first, at most `limit`."""
    if enclosure is not None:
        state.enclosure(enclosure)
    # Up to now means with what was written this very millisecond.
    end_ms = None if span.until_now else span.end_ms
    with state.reading("journal.db") as connection:
        found = journal.read(connection, enclosure, kind, span.start_ms, end_ms, limit)
    return [_shown(each) for each in found]


@router.get("/proof", responses={**shows(PROOF), **_SIGN_IN, **example(429, "the chain is being checked already")})
def proof(
    state: StateNow,
    person: Viewer,
    full: Annotated[bool, Query(description="Walk the whole chain now; else only what is new is walked")] = False,
) -> dict[str, Any]:
    """Say whether the chain holds. Compare `head` with a copy kept elsewhere; `signed` has what was signed daily.

    The whole chain is walked when the program starts, once a day, and with `full`; `whole_walk` says when that was.
    """
    try:
        with state.reading("journal.db") as connection:
            walk = state.chain.walk(connection, state.clock.now().utc_ms, full)
    except BusyError as error:
        raise HTTPException(429, "the chain is being checked already; ask again in a moment") from error
    told = {**asdict(walk.proof), "read": walk.read, "whole_walk": rfc3339(walk.whole_ms)}
    return {**told, "signed": None if walk.sealed is None else _signed(walk.sealed)}


@router.get("/refusals", responses={**shows([REFUSAL]), **_SIGN_IN, **example(403, "changing needs the role operate")})
def refusals(
    state: StateNow, person: Operator, limit: Annotated[int, Query(ge=1, le=1000)] = 100
) -> list[dict[str, Any]]:
    """Give the newest changes and sign-ins that were refused, newest first: when, who they said they were, and why."""
    found = state.season.do(people.list_refusals, limit)
    return [{**asdict(each), "at": rfc3339(each.at_ms)} for each in found]


def _signed(sealed: Sealed) -> dict[str, Any]:
    """Return how the signed heads fit; the last of them with its signature, to be kept elsewhere."""
    last = sealed.last
    head = None if last is None else {**asdict(last), "at": rfc3339(last.at_ms)}
    return {"holds": sealed.holds, "heads": sealed.heads, "detail": sealed.detail, "last": head}


def _shown(entry: StoredEntry) -> dict[str, Any]:
    return {**asdict(entry), "at": rfc3339(entry.at_ms)}
