"""The journal, with its hashes, and whether its chain holds."""

import threading
from dataclasses import asdict
from typing import Annotated, Any

from fastapi import APIRouter, HTTPException, Query

from api.auth import StateNow, Viewer
from api.examples import JOURNAL_ENTRY, PROOF, shows
from api.problem import example
from api.span import SpanAsked
from controller.clock import rfc3339
from controller.store import journal
from controller.store.journal import StoredEntry

router = APIRouter(prefix="/api/journal", tags=["journal"])

_SIGN_IN = example(401, "sign in, or send a bearer token")
_ONE_AT_A_TIME = threading.Lock()


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
def proof(state: StateNow, person: Viewer) -> dict[str, Any]:
    """Walk the whole chain and say whether it holds. Compare `head` with a copy kept elsewhere."""
    # The walk reads every entry; one walk at a time is enough for anybody.
    if not _ONE_AT_A_TIME.acquire(timeout=10):
        raise HTTPException(429, "the chain is being checked already; ask again in a moment")
    try:
        with state.reading("journal.db") as connection:
            return asdict(journal.verify(connection))
    finally:
        _ONE_AT_A_TIME.release()


def _shown(entry: StoredEntry) -> dict[str, Any]:
    return {**asdict(entry), "at": rfc3339(entry.at_ms)}
