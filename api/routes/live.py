"""Server-sent events: what is true now, as it changes."""

import asyncio

from fastapi import HTTPException, Request
from fastapi.responses import StreamingResponse

from api import auth
from api.auth import StateNow, Viewer
from api.examples import shows
from api.listeners import MOST_OF_ONE_CALLER
from api.pace import caller_of
from api.problem import Router, example

router = Router(prefix="/api", tags=["live"])

_EVENT = (
    'event: enclosure\ndata: {"enclosure":"larch","soil_c":18.06,"known":true}\n\n'
    'event: silence\ndata: {"enclosure":"elder","silent":true,"last_heard":"2026-03-01T04:11:47.000Z"}\n\n'
)


@router.get(
    "/live",
    response_class=StreamingResponse,
    responses={
        **shows(_EVENT, media_type="text/event-stream"),
        **example(401, "sign in, or send a bearer token"),
        **example(429, "16 pages of this address are listening already; close one"),
        **example(503, "64 pages are listening already; close one"),
    },
)
async def live(request: Request, state: StateNow, person: Viewer) -> StreamingResponse:
    """Stream `enclosure` events, each the object `GET /api/enclosures/{e}` gives; a comment every 15 s without any.

    A `silence` event tells when nothing was heard of an enclosure for 15 s, and another when it is heard again. The
    stream ends at most 30 s after its sign-in has.
    """
    caller, listeners = caller_of(request.scope), state.live.listeners
    if listeners.is_full:
        raise HTTPException(503, "too many pages are listening already; close one")
    if listeners.is_full_for(caller):
        said = f"{MOST_OF_ONE_CALLER} pages of this address are listening already; close one"
        raise HTTPException(429, said, {"Retry-After": "30"})

    async def welcome() -> bool:
        return await asyncio.to_thread(auth.person_of, request) is not None

    events = state.live.events(welcome, caller)
    return StreamingResponse(events, media_type="text/event-stream", headers={"X-Accel-Buffering": "no"})
