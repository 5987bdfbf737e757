"""Whether this works, with reasons, and the same as numbers for Prometheus."""

from collections.abc import Iterator

from fastapi.responses import JSONResponse, PlainTextResponse

from api.auth import StateNow, Viewer
from api.examples import HEALTH, shows
from api.metrics import CONTENT_TYPE, text_of
from api.problem import Router
from api.seen import alerts_of, span_in_words
from api.state import State

router = Router(tags=["health"])

_SILENT = {"status": "unwell", "reasons": ["enclosure 'larch': the controller was last heard 40 s ago"]}
_METRICS = 'soilward_broker_connected 1\nsoilward_soil_celsius{enclosure="larch"} 18.06\n'


@router.get("/health", responses={**shows(HEALTH), **shows(_SILENT, 503)})
def health(state: StateNow) -> JSONResponse:
    """Say whether live values arrive: 200, or 503 with reasons. Open to everyone, for supervisors."""
    reasons = list(reasons_unwell(state))
    return JSONResponse({"status": "unwell" if reasons else "well", "reasons": reasons}, 503 if reasons else 200)


@router.get("/metrics", response_class=PlainTextResponse, responses=shows(_METRICS, media_type="text/plain"))
def metrics(state: StateNow, person: Viewer) -> PlainTextResponse:
    """Give numbers in the Prometheus text format 0.0.4; what is not known is left out."""
    return PlainTextResponse(text_of(state), media_type=CONTENT_TYPE)


def reasons_unwell(state: State) -> Iterator[str]:
    """Yield what is wrong with the live values, in words; nothing when all is well."""
    broker = state.settings.broker
    if not state.live.connected:
        yield f"the broker at {broker.host}:{broker.port} is not connected"
    between: dict[str, None] = {}
    for each in state.settings.enclosure:
        age_s = state.live.age_s(each.name)
        if age_s is None:
            yield f"enclosure {each.name!r}: the controller has not been heard yet"
        elif state.live.is_silent(each.name):
            yield f"enclosure {each.name!r}: the controller was last heard {span_in_words(age_s)} ago"
        else:
            between |= dict.fromkeys(_between_controller_and_broker(state, each.name))
    yield from between


def _between_controller_and_broker(state: State, name: str) -> Iterator[str]:
    """Yield what the controller says is wrong with its broker; the same for every enclosure."""
    heard = state.live.heard(name)
    for alert in alerts_of(heard.status) if heard is not None else ():
        if str(alert.get("name", "")).startswith("broker:"):
            yield f"the controller says: {alert.get('detail', '')}"
