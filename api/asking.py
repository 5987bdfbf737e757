"""What a person may ask of the controller: filed with who and why, answered in the journal."""

import sqlite3
from typing import Any

from fastapi import HTTPException

from api.people import Person
from api.schemas import (
    Acknowledge,
    Adopt,
    Arm,
    AtWork,
    Disarm,
    OnBehalf,
    Reset,
    SetPoint,
    Shelve,
    Stop,
    Trial,
    set_point_fault,
)
from api.seen import alerts_of, as_seen
from api.span import END_MS
from api.state import State
from controller.clock import from_rfc3339
from controller.errors import StoreError
from controller.safety.limits import RESETS_OF_ONE_TRIP
from controller.store import requests
from controller.store.journal import JSON
from controller.store.requests import Kind


def ask_set_point(state: State, person: Person, enclosure: str, asked: SetPoint) -> int:
    """File another set point and return the request's id.

    Raises
    ------
    HTTPException
        404 for an unknown enclosure, 422 above the enclosure's own limit or for an end that is not ahead.
    """
    limits = state.enclosure(enclosure).limits
    if asked.set_point_c is not None:
        fault = set_point_fault(asked.set_point_c, limits.highest_set_point, f"limit of {enclosure!r},")
        if fault is not None:
            raise HTTPException(422, fault)
    if asked.until is not None:
        _check_ahead(from_rfc3339(asked.until), asked.until, state.clock.now().utc_ms)
    return _file(
        state, person, enclosure, "set-point", {"set_point_c": asked.set_point_c, "until": asked.until}, asked.why
    )


def _check_ahead(until_ms: int, written: str, now_ms: int) -> None:
    if until_ms <= now_ms:
        raise HTTPException(422, f"until: {written} is not ahead of now")
    if until_ms >= END_MS:
        raise HTTPException(422, f"until: {written} is after 9998; leave it out for a wish that ends with the next one")


def ask_arm(state: State, person: Person, enclosure: str, asked: Arm) -> int:
    """File the wish that the enclosure may be heated; 404 for an unknown one."""
    return _file(state, person, enclosure, "arm", {}, asked.why)


def ask_disarm(state: State, person: Person, enclosure: str, asked: Disarm) -> int:
    """File the wish that heat is taken away; 404 for an unknown enclosure, never refused otherwise."""
    return _file(state, person, enclosure, "disarm", {}, asked.why)


def ask_reset(state: State, person: Person, enclosure: str, asked: Reset) -> int:
    """File the end of a trip and return the request's id. The controller checks all of this again.

    Raises
    ------
    HTTPException
        404 for an unknown enclosure or trip, 409 while its cause is present (hazard A02), 429 after three resets
        within 24 h (hazard A03), 503 while the controller is not heard.
    """
    known = state.enclosure(enclosure)
    shown = as_seen(known, state.live.heard(enclosure), state.clock.now())
    if not shown["known"]:
        raise HTTPException(503, f"the controller is not heard, so nobody knows how trip {asked.trip!r} stands")
    trip = next((each for each in shown["trips"] if each["name"] == asked.trip), None)
    if trip is None:
        raise HTTPException(404, _no_such_trip(enclosure, asked.trip, shown["trips"]))
    if trip["resets_24h"] >= RESETS_OF_ONE_TRIP:
        raise HTTPException(
            429,
            f"trip {asked.trip!r} was reset {trip['resets_24h']} times within 24 h, the most allowed is "
            f"{RESETS_OF_ONE_TRIP}; find its cause at the enclosure first",
        )
    if not trip["cause_gone"]:
        raise HTTPException(409, f"the cause of trip {asked.trip!r} is still present: {trip['detail']}")
    return _file(state, person, enclosure, "reset", {"trip": asked.trip}, asked.why)


def ask_stop(state: State, person: Person, enclosure: str, asked: Stop) -> int:
    """File the wish that heat is locked off at once; never refused for a known enclosure (hazard A08).

    Raises
    ------
    HTTPException
        404 for an unknown enclosure, 503 if the wish cannot be put on disk; then it says what to do instead.
    """
    state.enclosure(enclosure)
    try:
        return _file(state, person, enclosure, "stop", {}, asked.why)
    except (sqlite3.Error, StoreError) as error:
        raise HTTPException(
            503, f"the stop of {enclosure!r} could not be written down: switch the heater off at its socket or breaker"
        ) from error


def ask_at_work(state: State, person: Person, enclosure: str, asked: AtWork) -> int:
    """File the wish that no heat comes while somebody works there; 404 for an unknown enclosure."""
    return _file(state, person, enclosure, "at-work", {"minutes": asked.minutes}, asked.why)


def ask_shelve(state: State, person: Person, enclosure: str, asked: Shelve) -> int:
    """File the wish to put an alert aside (hazard O03).

    Raises
    ------
    HTTPException
        404 for an unknown enclosure or alert, 409 for a trip or an urgent alert, 503 while the controller is
        not heard.
    """
    known = state.enclosure(enclosure)
    shown = as_seen(known, state.live.heard(enclosure), state.clock.now())
    if not shown["known"]:
        raise HTTPException(503, f"the controller is not heard, so nobody knows how alert {asked.alert!r} stands")
    if any(each["name"] == asked.alert for each in shown["trips"]):
        raise HTTPException(
            409, f"{asked.alert!r} is a trip; trips are not put aside but reset, once their cause is gone"
        )
    there = alerts_of(shown)
    if any(each["name"] == asked.alert and each["urgent"] for each in there):
        raise HTTPException(409, f"{asked.alert!r} is urgent: somebody must go and look; it cannot be put aside")
    names = [each["name"] for each in there]
    if asked.alert not in names:
        listed = ", ".join(names) or "none"
        raise HTTPException(404, f"enclosure {enclosure!r} has no alert {asked.alert!r}; there now: {listed}")
    arguments: dict[str, JSON] = {"alert": asked.alert, "hours": asked.hours}
    return _file(state, person, enclosure, "shelve", arguments, asked.why)


def ask_acknowledge(state: State, person: Person, enclosure: str, asked: Acknowledge) -> int:
    """File that somebody has taken note of a break in the journal's chain; 404 for an unknown enclosure."""
    return _file(state, person, enclosure, "acknowledge", {"sequence": asked.sequence}, asked.why)


def ask_trial(state: State, person: Person, enclosure: str, asked: Trial) -> int:
    """File the wish for night pulses, or for their end; the controller says when, or why not."""
    return _file(state, person, enclosure, "trial", {"pulses": asked.pulses}, asked.why)


def ask_adopt(state: State, person: Person, enclosure: str, asked: Adopt) -> int:
    """File the wish that a model is adopted; the controller holds it to its bounds."""
    arguments: dict[str, JSON] = {
        "figures": dict(asked.figures.items()),
        "likely": {name: list(three) for name, three in asked.likely.items()},
    }
    return _file(state, person, enclosure, "adopt", arguments, asked.why)


def ask_on_behalf(state: State, person: Person, asked: OnBehalf) -> int:
    """File what the command on this machine asks for somebody."""
    return _file(state, person, asked.enclosure, asked.kind, asked.arguments, asked.why)


def _no_such_trip(enclosure: str, trip: str, trips: list[dict[str, Any]]) -> str:
    there = ", ".join(each["name"] for each in trips) or "none"
    return f"enclosure {enclosure!r} has no trip {trip!r}; latched now: {there}"


def _file(state: State, person: Person, enclosure: str, kind: Kind, arguments: dict[str, JSON], why: str) -> int:
    state.enclosure(enclosure)
    now_ms = state.clock.now().utc_ms
    return state.requests.do(requests.file, now_ms, enclosure, kind, arguments, person.name, why)
