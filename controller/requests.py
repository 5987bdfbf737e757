"""What a person asked, answered: every answer is a journal entry with who and why."""

import math
from dataclasses import dataclass, replace
from typing import Any

from controller.clock import Moment, from_rfc3339, rfc3339
from controller.plan import Plan
from controller.plant.sun import is_dark
from controller.safety import limits, trip
from controller.standing import Standing
from controller.store.journal import Entry
from controller.store.requests import Request
from controller.tuning.adoption import UnfitError, adopted, likely_of
from controller.tuning.pulses import FEWEST, MOST, Trial, in_the_dark

STALE_REQUEST_S = 600.0
"""[s] An older wish may no longer be one; only an end of heat is obeyed at any age. Source: engineering judgement."""


OBEYED_AT_ANY_AGE = ("disarm", "stop")
ENDS_HEAT = (*OBEYED_AT_ANY_AGE, "at-work")
DAY_MS = 86_400_000
LONGEST_OVERRIDE_MS = 400 * DAY_MS


@dataclass(frozen=True, slots=True)
class Answer:
    """The standing orders after a request, and what the journal says of it."""

    standing: Standing
    entries: tuple[Entry, ...]
    was_reset: bool = False


def answer(
    plan: Plan, standing: Standing, request: Request, gone: dict[str, bool], now: Moment,
    urgent: frozenset[str] = frozenset(),
) -> Answer:  # fmt: skip
    """Answer one request.

    Parameters
    ----------
    gone
        By trip name, whether its cause is gone.
    urgent
        Names of the alerts that need somebody now.
    """
    standing = replace(standing, answered=max(standing.answered, request.id))
    if request.kind == "shelve" and request.arguments.get("alert") in urgent:
        outcome, changed = "refused: somebody must go and look now; urgent alerts cannot be put aside", None
    else:
        outcome, changed = _outcome(plan, standing, request, gone, now)
    done = changed is not None
    entry = _answer_entry(plan, request, done, outcome, now)
    return Answer(
        changed or standing, (entry, *_trial_gone(plan, standing, changed, now)), done and request.kind == "reset"
    )


def _answer_entry(plan: Plan, request: Request, done: bool, detail: str, now: Moment) -> Entry:
    body: dict[str, Any] = {
        "request": request.id,
        "asked": request.kind,
        "arguments": request.arguments,
        "outcome": "done" if done else "refused",
        "detail": detail,
    }
    return Entry("answer", plan.name, request.who, request.why, body, now.utc_ms)


def unweighed(plan: Plan, standing: Standing, request: Request, now: Moment) -> tuple[Standing, Entry]:
    """Return the standing orders after a request whose tick failed, and its entry: whoever wanted no heat has none."""
    standing = replace(standing, answered=max(standing.answered, request.id))
    if request.kind not in ENDS_HEAT:
        return standing, _answer_entry(plan, request, False, "refused: the tick that took it failed; ask again", now)
    done = request.kind == "disarm"
    detail = f"disarmed{'' if done else ' instead'}: the tick that took it failed; no heat until someone arms it"
    return replace(standing, armed=False, at_work_until_ms=None), _answer_entry(plan, request, done, detail, now)


def _trial_gone(plan: Plan, before: Standing, after: Standing | None, now: Moment) -> tuple[Entry, ...]:
    """Return the entry of a trial that a request has ended, or none."""
    if before.trial is None or after is None or after.trial is not None:
        return ()
    body: dict[str, Any] = {"request": before.trial.request, "asked_by": before.trial.who}
    why = "the trial was cancelled: somebody asked for something else"
    return (Entry("trial", plan.name, "soilward", why, body, now.utc_ms),)


def _outcome(
    plan: Plan, standing: Standing, request: Request, gone: dict[str, bool], now: Moment
) -> tuple[str, Standing | None]:
    if not request.who or not request.why:
        return "refused: a request needs a person and a reason", None
    age_s = (now.utc_ms - request.at_ms) / 1000
    if age_s > STALE_REQUEST_S and request.kind not in OBEYED_AT_ANY_AGE:
        return f"refused: asked {age_s / 60:.0f} min ago while the controller was away; ask again", None
    match request.kind:
        case "arm":
            return _arm(plan, standing, now)
        case "disarm":
            return "disarmed: no heat until someone arms it", replace(standing, armed=False, at_work_until_ms=None)
        case "stop":
            return _stop(standing, request.who, now)
        case "reset":
            return _reset(standing, str(request.arguments.get("trip", "")), gone, now)
        case "set-point":
            return _set_point(plan, standing, request.arguments, now)
        case "at-work":
            return _at_work(standing, request.arguments, now)
        case "shelve":
            return _shelve(standing, request.arguments, now)
        case "acknowledge":
            return _acknowledge(standing, request.arguments)
        case "trial":
            return _trial(plan, standing, request, now)
        case "adopt":
            return _adopt(plan, standing, request.arguments)
    return f"refused: '{request.kind}' is no request this controller knows", None


def _arm(plan: Plan, standing: Standing, now: Moment) -> tuple[str, Standing | None]:
    late_days = proof_late_days(plan, standing, now.utc_ms)
    if late_days > limits.PROOF_GRACE_DAYS:
        return (
            f"refused: the proof test is {late_days:.0f} days overdue; run `soilward proof-test {plan.name}` first",
            None,
        )
    if standing.relay_closings > limits.RELAY_CLOSINGS:
        return f"refused: the relay has closed {standing.relay_closings} times and is worn out; replace it first", None
    return "armed: heat may run when it is needed and permitted", replace(standing, armed=True, at_work_until_ms=None)


def proof_late_days(plan: Plan, standing: Standing, now_ms: int) -> float:
    """[d] since a proof test was due; negative before, and where none was ever recorded."""
    if standing.proved_ms is not None:
        return (now_ms - standing.proved_ms) / DAY_MS - plan.proof_every_days
    return -plan.proof_every_days


def _stop(standing: Standing, who: str, now: Moment) -> tuple[str, Standing | None]:
    new = trip.Trip(trip.TripKind.STOPPED, "", None, None, now.utc_ms, f"stopped by {who}")
    trips, _ = trip.latch(standing.trips, [new])
    return "stopped: heat is locked off until someone resets it", replace(standing, trips=trips)


def _number(arguments: dict[str, Any], name: str, most: float) -> float | None:
    """Return a number above 0 and up to `most`, or None for anything else."""
    value = arguments.get(name)
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 < value <= most:
        return None
    return float(value)


def _at_work(standing: Standing, arguments: dict[str, Any], now: Moment) -> tuple[str, Standing | None]:
    minutes = _number(arguments, "minutes", limits.LONGEST_AT_WORK_S / 60)
    if minutes is None:
        return "refused: minutes at work must be above 0 and at most 60", None
    until_ms = now.utc_ms + round(minutes * 60_000)
    return f"no heat for {minutes:.0f} min while someone works there; disarmed after that", replace(
        standing, at_work_until_ms=until_ms
    )


def _shelve(standing: Standing, arguments: dict[str, Any], now: Moment) -> tuple[str, Standing | None]:
    hours, name = _number(arguments, "hours", limits.LONGEST_SHELVED_S / 3600), arguments.get("alert")
    if hours is None or not isinstance(name, str) or not name:
        return "refused: name the alert, and hours above 0 and at most 8", None
    if any(each.name == name for each in standing.trips):
        return f"refused: '{name}' is a trip; trips cannot be put aside", None
    others = tuple(each for each in standing.shelved if each[0] != name and each[1] > now.utc_ms)
    shelved = (*others, (name, now.utc_ms + round(hours * 3_600_000)))
    return f"alert '{name}' put aside for {hours:g} h", replace(standing, shelved=shelved)


def _acknowledge(standing: Standing, arguments: dict[str, Any]) -> tuple[str, Standing | None]:
    sequence = arguments.get("sequence")
    if isinstance(sequence, bool) or not isinstance(sequence, int) or sequence < 1:
        return "refused: name the sequence number at which the journal's chain breaks", None
    return f"the break of the journal's chain at {sequence} is acknowledged", replace(standing, acknowledged=sequence)


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
        return "set point back to the schedule", replace(standing, override_c=None, override_until_ms=None, trial=None)
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
    return words, replace(standing, override_c=float(value), override_until_ms=until_ms, trial=None)


def _trial(plan: Plan, standing: Standing, request: Request, now: Moment) -> tuple[str, Standing | None]:
    """Accept night pulses for the coming night, or end those that were asked for (pulses 0)."""
    count = request.arguments.get("pulses")
    if isinstance(count, bool) or not isinstance(count, int) or not (count == 0 or FEWEST <= count <= MOST):
        return f"refused: pulses must be 0, which ends a trial, or {FEWEST} to {MOST}", None
    if count == 0:
        if standing.trial is None:
            return "refused: there is no trial to end", None
        return "the trial is ended", replace(standing, trial=None)
    if standing.trial is not None:
        return "refused: a trial stands already; end it first", None
    if not standing.armed or standing.trips:
        return "refused: not armed, or locked off; a trial heats and needs what all heat needs", None
    if not now.wall_is_believable:
        return "refused: the clock is not set, so nobody knows when it is night", None
    found = in_the_dark(plan.latitude, plan.longitude, now.utc_ms, count)
    if found is None:
        left = "what is left of this night" if is_dark(now.utc_ms // 60_000, plan.latitude, plan.longitude) else ""
        remedy = "by day for the next one" if left else "in darker weeks"
        return f"refused: {left or 'the coming night'} is too short for {FEWEST} pulses; ask again {remedy}", None
    begins_ms, pulses = found
    words = f"{pulses} pulses of half an hour, the first at {rfc3339(begins_ms)}; heat stays within its bounds"
    return words, replace(standing, trial=Trial(request.id, request.who, begins_ms, pulses))


def _adopt(plan: Plan, standing: Standing, arguments: dict[str, Any]) -> tuple[str, Standing | None]:
    """Accept a model, which the planner takes from the journal at its next turn."""
    try:
        adopted(plan.tuned.model, arguments.get("figures"))
        likely_of(arguments.get("likely"))
    except UnfitError as error:
        return f"refused: {error}", None
    return "adopted: the planner takes this model at its next half hour", standing
