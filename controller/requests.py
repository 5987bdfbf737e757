"""What a person asked, answered: every answer is a journal entry with who and why."""

import math
from dataclasses import dataclass, replace
from typing import Any

from controller.clock import Moment, from_rfc3339
from controller.plan import Plan
from controller.safety import limits, trip
from controller.standing import Standing
from controller.store.journal import Entry
from controller.store.requests import Request

STALE_REQUEST_S = 600.0
"""[s] An older wish may no longer be one; only disarming is obeyed at any age. Source: engineering judgement."""


LONGEST_OVERRIDE_MS = 400 * 86_400_000


@dataclass(frozen=True, slots=True)
class Answer:
    """The standing orders after a request, and what the journal says of it."""

    standing: Standing
    entries: tuple[Entry, ...]
    was_reset: bool = False


def answer(plan: Plan, standing: Standing, request: Request, gone: dict[str, bool], now: Moment) -> Answer:
    """Answer one request.

    Parameters
    ----------
    gone
        By trip name, whether its cause is gone.
    """
    standing = replace(standing, answered=max(standing.answered, request.id))
    outcome, changed = _outcome(plan, standing, request, gone, now)
    done = changed is not None
    body: dict[str, Any] = {
        "request": request.id,
        "asked": request.kind,
        "arguments": request.arguments,
        "outcome": "done" if done else "refused",
        "detail": outcome,
    }
    entry = Entry("answer", plan.name, request.who, request.why, body, now.utc_ms)
    return Answer(changed or standing, (entry,), done and request.kind == "reset")


def _outcome(
    plan: Plan, standing: Standing, request: Request, gone: dict[str, bool], now: Moment
) -> tuple[str, Standing | None]:
    if not request.who or not request.why:
        return "refused: a request needs a person and a reason", None
    age_s = (now.utc_ms - request.at_ms) / 1000
    if age_s > STALE_REQUEST_S and request.kind != "disarm":
        return f"refused: asked {age_s / 60:.0f} min ago while the controller was away; ask again", None
    if request.kind == "arm":
        return "armed: heat may run when it is needed and permitted", replace(standing, armed=True)
    if request.kind == "disarm":
        return "disarmed: no heat until someone arms it", replace(standing, armed=False)
    if request.kind == "reset":
        return _reset(standing, str(request.arguments.get("trip", "")), gone, now)
    if request.kind == "set-point":
        return _set_point(plan, standing, request.arguments, now)
    return f"refused: '{request.kind}' is no request this controller knows", None


def _reset(standing: Standing, name: str, gone: dict[str, bool], now: Moment) -> tuple[str, Standing | None]:
    earlier = [ms for each, ms in standing.resets if each == name]
    refusal = trip.reset_refusal(standing.trips, name, gone.get(name, False), earlier, now.utc_ms)
    if refusal is not None:
        return f"refused: {refusal.detail}", None
    lately = tuple(each for each in standing.resets if now.utc_ms - each[1] < limits.RESET_SPAN_S * 1000)
    left = tuple(each for each in standing.trips if each.name != name)
    return f"trip '{name}' reset; heat may return in 5 min", replace(
        standing, trips=left, resets=(*lately, (name, now.utc_ms))
    )


def _set_point(plan: Plan, standing: Standing, arguments: dict[str, Any], now: Moment) -> tuple[str, Standing | None]:
    value, until = arguments.get("set_point_c"), arguments.get("until")
    if value is None:
        return "set point back to the schedule", replace(standing, override_c=None, override_until_ms=None)
    highest = min(limits.HIGHEST_SET_POINT_C, plan.highest_set_point_c)
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        return f"refused: set point {value!r} is no number", None
    if not -5.0 <= value <= highest:
        return f"refused: set point {value:.1f} Cel is outside -5.0 to {highest:.1f} Cel", None
    try:
        until_ms = None if until is None else from_rfc3339(str(until))
    except ValueError as error:
        return f"refused: {error}", None
    if until_ms is not None and not now.utc_ms < until_ms <= now.utc_ms + LONGEST_OVERRIDE_MS:
        return f"refused: until {until} is not within the next 400 days", None
    words = f"set point {value:.1f} Cel" + (f" until {until}" if until else "")
    return words, replace(standing, override_c=float(value), override_until_ms=until_ms)
