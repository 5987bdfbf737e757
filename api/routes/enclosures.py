"""What is true now in each enclosure, and what was."""

from dataclasses import asdict
from typing import Annotated, Any, Literal

from fastapi import HTTPException, Query, Response

from api.auth import StateNow, Viewer
from api.examples import CONTROL, HEATER_RUNS, READINGS, STATUS, shows
from api.orders import orders_now
from api.planned import as_json, planned
from api.problem import Router, example
from api.seen import as_seen
from api.span import SpanAsked
from controller.clock import rfc3339
from controller.store import reading_back, use
from controller.store.readings import MOST_POINTS

router = Router(prefix="/api/enclosures", tags=["enclosures"])

_UNKNOWN = example(404, "enclosure 'oak' is not in settings; known: larch, elder, southwall")
_SIGN_IN = example(401, "sign in, or send a bearer token")


@router.get("", responses={**shows([STATUS]), **_SIGN_IN})
def enclosures(state: StateNow, person: Viewer) -> list[dict[str, Any]]:
    """Give what is true now in every enclosure, in the order of settings."""
    now = state.clock.now()
    return [as_seen(each, state.live.heard(each.name), now) for each in state.settings.enclosure]


_NOW = shows(STATUS)
_NOW[200]["headers"] = {
    "ETag": {
        "description": "Stands for the standing orders alone: armed, a person's set point, trips, what was asked last. "
        "Send it as `If-Match` with a change, so as not to undo what somebody else has asked since.",
        "schema": {"type": "string"},
        "example": '"17.armed.5b2f9c41.4f53cda1"',
    }
}


@router.get("/{enclosure}", responses={**_NOW, **_SIGN_IN, **_UNKNOWN})
def enclosure_now(enclosure: str, response: Response, state: StateNow, person: Viewer) -> dict[str, Any]:
    """Give what is true now in one enclosure: readings with age, set point, heat, permissives, trips, and why."""
    known = state.enclosure(enclosure)
    response.headers["ETag"] = orders_now(state, enclosure).tag
    return as_seen(known, state.live.heard(enclosure), state.clock.now())


@router.get("/{enclosure}/control", responses={**shows(CONTROL), **_SIGN_IN, **_UNKNOWN})
def enclosure_control(enclosure: str, state: StateNow, person: Viewer) -> dict[str, Any]:
    """Give why there is this much heat, what is planned for the coming hours, and what was learnt of the enclosure."""
    known = state.enclosure(enclosure)
    seen = as_seen(known, state.live.heard(enclosure), state.clock.now())
    return {"enclosure": enclosure, "at": seen["at"], "now": seen.get("control"), **as_json(planned(state, enclosure))}


@router.get(
    "/{enclosure}/readings",
    responses={**shows(READINGS), **_SIGN_IN, **_UNKNOWN, **example(422, "end must be after start")},
)
def enclosure_readings(
    enclosure: str,
    span: SpanAsked,
    state: StateNow,
    person: Viewer,
    probe: Annotated[list[str] | None, Query(max_length=40, description="Probe names; all if left out")] = None,
    points: Annotated[int, Query(ge=1, le=MOST_POINTS, description="Most buckets per probe")] = 500,
) -> dict[str, Any]:
    """Give least, mean and most of each probe per bucket, never more than `points` buckets."""
    known = state.enclosure(enclosure)
    for name in probe or ():
        if known.named(name) is None:
            there = ", ".join(each.name for each in known.probe)
            raise HTTPException(404, f"enclosure {enclosure!r} has no probe {name[:40]!r}; known: {there}")
    with state.reading("readings.db") as connection:
        found = reading_back.series(connection, enclosure, probe, span.start_ms, span.end_ms, points)
    return {
        "enclosure": enclosure,
        "start": rfc3339(span.start_ms),
        "end": rfc3339(span.end_ms),
        "series": [each.as_json() for each in found],
    }


@router.get(
    "/{enclosure}/heater-runs",
    responses={**shows(HEATER_RUNS), **_SIGN_IN, **_UNKNOWN, **example(422, "end must be after start")},
)
def enclosure_heater_runs(
    enclosure: str,
    span: SpanAsked,
    state: StateNow,
    person: Viewer,
    by: Annotated[Literal["run", "hour", "day"], Query(description="One row per run, local hour or local day")] = "day",
) -> dict[str, Any]:
    """Give run time, cycles, longest run, energy and cost, from the contact as the node reported it."""
    state.enclosure(enclosure)
    site = state.settings.site
    try:
        with state.reading("readings.db") as connection:
            now_ms = state.clock.now().utc_ms
            found = use.summary(connection, enclosure, span.start_ms, span.end_ms, by, site.zone, now_ms)
    except ValueError as error:
        raise HTTPException(422, str(error)) from error
    return {
        "enclosure": enclosure,
        "by": by,
        "currency": site.currency,
        "rows": [
            {
                "start": rfc3339(each.start_ms),
                "end": rfc3339(each.end_ms),
                **asdict(each),
                "cost": round(each.energy_kwh * site.price_per_kwh, 4) if each.energy_known else None,
            }
            for each in found
        ],
    }
