"""The standing orders of an enclosure as somebody saw them: a tag that shows whether a change would be a blind one.

Two people who look at the same page must not undo each other unknowingly (hazard A05). The tag names the newest request
that was filed, so the second of two is refused even before the controller has answered the first.
"""

import hashlib
import sqlite3
from dataclasses import dataclass
from typing import Any

from api.problem import Problem
from api.state import State
from controller.store import requests
from controller.store.damage import DamagedError
from controller.store.requests import Request

WISHES = {
    "set-point": "for another set point",
    "arm": "to arm",
    "disarm": "to disarm",
    "reset": "to reset a trip",
    "stop": "to stop heat",
    "at-work": "for no heat while somebody works there",
    "shelve": "to put an alert aside",
    "acknowledge": "to acknowledge a break of the journal's chain",
    "trial": "for a trial, or to end it",
    "adopt": "to adopt a model",
}
"""What each kind of request asks, in words that follow "asked"."""

_CHANGES_ORDERS = ("set-point", "arm", "disarm", "reset", "stop", "at-work")
_NEWEST = f"""SELECT id FROM request WHERE enclosure = ? AND id > ?
AND kind IN ({", ".join("?" * len(_CHANGES_ORDERS))}) ORDER BY id DESC LIMIT ?"""
_MOST_NAMED = 3


@dataclass(frozen=True, slots=True)
class Orders:
    """What stands in one enclosure, as the controller last said it.

    Parameters
    ----------
    request
        Id of the newest request for a change of it; 0 if there never was one.
    override
        ([Cel], until when) of a person's set point; None while the schedule rules.
    trips
        (name, [ms] UTC since when, its words) of each latched trip.
    """

    request: int
    armed: bool | None
    override: tuple[float | None, str | None] | None
    trips: tuple[tuple[str, int, str], ...]

    @property
    def tag(self) -> str:
        """The entity tag, quoted as HTTP writes it."""
        armed = {True: "armed", False: "disarmed", None: "unknown"}[self.armed]
        return f'"{self.request}.{armed}.{_digest(self.override)}.{_digest(self.trips)}"'


def orders_now(state: State, enclosure: str) -> Orders:
    """Return what stands now, from the newest status however old: silence alone changes no orders."""
    heard = state.live.heard(enclosure)
    status: dict[str, Any] = {} if heard is None else heard.status
    asked = status.get("set_point", {})
    override = (asked.get("asked_c"), asked.get("until")) if asked.get("source") == "person" else None
    trips = tuple(sorted((str(t["name"]), int(t["at_ms"]), str(t["detail"])) for t in status.get("trips", ())))
    try:
        newest = state.requests.do(_newest, enclosure, 0, 1)
    except DamagedError:
        newest = []  # what is true now must be seen all the same; nothing can be filed
    return Orders(newest[0] if newest else 0, status.get("armed"), override, trips)


def refuse_stale(state: State, enclosure: str, seen: str | None) -> None:
    """Refuse a change by somebody who looked before the orders changed.

    Parameters
    ----------
    seen
        The tag, or tags, that they saw, as in `If-Match`; None or `*`: they do not mind.

    Raises
    ------
    Problem
        412, with what has changed.
    """
    if seen is None or seen.strip() == "*":
        return
    now, tags = orders_now(state, enclosure), [each.strip() for each in seen.split(",")]
    if now.tag in tags:
        return
    then = (tags[0].strip('"').split(".") + [""] * 4)[:4]
    differs = [before != after for before, after in zip(then, now.tag.strip('"').split("."), strict=True)]
    since = _filed_since(state, enclosure, then[0]) if differs[0] else []
    changed = [word for word, is_other in zip(("armed", "set_point", "trips"), differs[1:], strict=True) if is_other]
    said = [_asked(each) for each in since] + [_stands(now, word) for word in changed]
    what = "; ".join(said) or "what you saw is not on record here"
    raise Problem(
        412,
        f"enclosure {enclosure!r} has changed since you looked: {what}. Nothing was asked; look again first",
        changed=changed,
        asked_since=[each.id for each in since],
    )


def _newest(connection: sqlite3.Connection, enclosure: str, after: int, limit: int) -> list[int]:
    found = connection.execute(_NEWEST, (enclosure, after, *_CHANGES_ORDERS, limit))
    return [int(number) for (number,) in found.fetchall()]


def _filed_since(state: State, enclosure: str, request: str) -> list[Request]:
    """Return the newest requests filed after the one a tag names, oldest first."""
    if not request.isdecimal() or len(request) > 15:
        return []
    newest = state.requests.do(_newest, enclosure, int(request), _MOST_NAMED)
    found = [state.requests.do(requests.get, number) for number in reversed(newest)]
    return [each for each in found if each is not None]


def _asked(request: Request) -> str:
    value = request.arguments.get("set_point_c")
    wish = WISHES[request.kind]
    if request.kind == "set-point":
        wish = f"for {value:.1f} Cel" if isinstance(value, int | float) else "to go back to the schedule"
    return f"{request.who} asked {wish} ({request.why})"


def _stands(now: Orders, what: str) -> str:
    """Say how one of the orders stands now."""
    if what == "armed":
        return {True: "it is armed", False: "it is disarmed", None: "whether it is armed is not known"}[now.armed]
    if what == "trips":
        causes = "; ".join(detail for _, _, detail in now.trips)
        return f"heat is locked off: {causes}" if causes else "no trip is latched"
    if now.override is None:
        return "the schedule decides the set point"
    value_c, until = now.override
    return f"a person's set point stands, {value_c} Cel" + (f" until {until}" if until else "")


def _digest(value: object) -> str:
    return hashlib.sha256(repr(value).encode()).hexdigest()[:8]
