"""Server-sent events: what is true now, as it changes."""

from fastapi import APIRouter, HTTPException
from fastapi.responses import StreamingResponse

from api.auth import StateNow, Viewer
from api.examples import shows
from api.problem import example

router = APIRouter(prefix="/api", tags=["live"])

_EVENT = 'event: enclosure\ndata: {"enclosure":"larch","soil_c":18.06,"known":true}\n\n'


@router.get(
    "/live",
    response_class=StreamingResponse,
    responses={
        **shows(_EVENT, media_type="text/event-stream"),
        **example(401, "sign in, or send a bearer token"),
        **example(503, "64 pages are listening already; close one"),
    },
)
async def live(state: StateNow, person: Viewer) -> StreamingResponse:
    """Stream `enclosure` events, each the object `GET /api/enclosures/{e}` gives; a comment every 15 s of silence."""
    if state.live.is_full:
        raise HTTPException(503, "too many pages are listening already; close one")
    return StreamingResponse(state.live.events(), media_type="text/event-stream", headers={"X-Accel-Buffering": "no"})
