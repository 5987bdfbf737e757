"""Whether this works, with reasons, and the same as numbers for Prometheus."""

from collections.abc import Iterator
from typing import Any

from fastapi import APIRouter
from fastapi.responses import JSONResponse, PlainTextResponse

from api.auth import StateNow, Viewer
from api.examples import HEALTH, shows
from api.seen import alerts_of, as_seen, span_in_words
from api.state import State

router = APIRouter(tags=["health"])

_SILENT = {"status": "unwell", "reasons": ["enclosure 'larch': the controller was last heard 40 s ago"]}
_METRICS = 'soilward_broker_connected 1\nsoilward_soil_celsius{enclosure="larch"} 18.06\n'


@router.get("/health", responses={**shows(HEALTH), **shows(_SILENT, 503)})
def health(state: StateNow) -> JSONResponse:
    """Say whether live values arrive: 200, or 503 with reasons. Open to everyone, for supervisors."""
    reasons = list(reasons_unwell(state))
    return JSONResponse({"status": "unwell" if reasons else "well", "reasons": reasons}, 503 if reasons else 200)


@router.get("/metrics", response_class=PlainTextResponse, responses=shows(_METRICS, media_type="text/plain"))
def metrics(state: StateNow, person: Viewer) -> PlainTextResponse:
    """Give gauges in the Prometheus text format 0.0.4; what is not known is left out."""
    lines = list(_gauges(state))
    return PlainTextResponse("\n".join(lines) + "\n", media_type="text/plain; version=0.0.4")


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


_GAUGES = (
    ("soilward_soil_celsius", "Soil temperature that control uses", lambda s: s["soil_c"]),
    ("soilward_set_point_celsius", "Soil temperature asked for", lambda s: s["set_point"]["asked_c"]),
    ("soilward_duty_ratio", "Heater duty, 0 to 1", lambda s: s["heat"]["duty"]),
    ("soilward_heat_ordered", "1 if heat is ordered", lambda s: s["heat"]["ordered"]),
    ("soilward_contact_closed", "1 if the node reports its contact closed", lambda s: s["heat"]["contact"]),
    ("soilward_armed", "1 if the enclosure may be heated", lambda s: s["armed"]),
    ("soilward_trips", "Trips latched now", lambda s: len(s["trips"]) if s["known"] else None),
    ("soilward_status_age_seconds", "Age of the newest status", lambda s: s["as_of_age_s"]),
)


def _gauges(state: State) -> Iterator[str]:
    now = state.clock.now()
    shown: list[dict[str, Any]] = [as_seen(each, state.live.heard(each.name), now) for each in state.settings.enclosure]
    yield "# HELP soilward_broker_connected 1 if live values can arrive"
    yield "# TYPE soilward_broker_connected gauge"
    yield f"soilward_broker_connected {int(state.live.connected)}"
    for name, meaning, value_of in _GAUGES:
        yield f"# HELP {name} {meaning}"
        yield f"# TYPE {name} gauge"
        for each in shown:
            value = value_of(each)
            if value is not None:
                yield f'{name}{{enclosure="{each["enclosure"]}"}} {float(value):g}'
