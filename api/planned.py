"""What the planner has left on disk: the hours ahead, what it has learnt, and its last word."""

import sqlite3
from dataclasses import dataclass
from typing import Any

from api.state import State
from controller.clock import rfc3339
from controller.control.foresight import BELIEVED_S, Foresight
from controller.errors import StoreError
from controller.store import plans
from controller.store.plans import Learnt


@dataclass(frozen=True, slots=True)
class Planned:
    """The plan that holds now and what was learnt last, each None where there is none; `word` says why no plan."""

    plan: Foresight | None = None
    learnt: Learnt | None = None
    at_ms: int | None = None
    word: str = ""


def planned(state: State, enclosure: str) -> Planned:
    """Return what the planner says of an enclosure now; where its file cannot be read, that is its word."""
    if not (state.folder / "plans.db").exists():
        return Planned(word="the planner has not run yet")
    try:
        return _read(state, enclosure)
    except (StoreError, sqlite3.Error):
        # It only advises: without it the page of the enclosure, and the stop on it, must still be there.
        return Planned(word="what the planner wrote cannot be read")


def _read(state: State, enclosure: str) -> Planned:
    now_ms = state.clock.now().utc_ms
    with state.reading("plans.db") as connection:
        held = plans.plans_from(connection, enclosure, now_ms - round(1000 * BELIEVED_S), now_ms)
        learnt = plans.learnt_of(connection, enclosure)
        word = plans.word_of(connection, enclosure)
    at_ms, said = word if word is not None else (None, "the planner has not come to this enclosure yet")
    if not held and not said:
        said = "the planner has fallen silent"
    return Planned(held[-1] if held else None, learnt[0] if learnt else None, at_ms, said)


def carries(state: State) -> dict[str, tuple[int, dict[str, Any] | None]]:
    """Return by enclosure when [ms UTC] the planner last thought about the coming night, and what that asks of heat.

    What it asks is None where that is not known, or no longer: what is older than a plan may be is of another night.
    """
    now_ms = state.clock.now().utc_ms
    try:
        with state.reading("plans.db") as connection:
            found = {each.name: plans.carry_of(connection, each.name) for each in state.settings.enclosure}
    except (StoreError, sqlite3.Error):
        return {}
    return {
        name: (at_ms, carry if abs(now_ms - at_ms) <= 1000 * BELIEVED_S else None)
        for name, (at_ms, carry) in ((name, each) for name, each in found.items() if each is not None)
    }


def as_json(found: Planned) -> dict[str, Any]:
    """Return it as the interface gives it."""
    plan, learnt = found.plan, found.learnt
    return {
        "planner": {"at": None if found.at_ms is None else rfc3339(found.at_ms), "word": found.word},
        "ahead": [] if plan is None else [_step(plan, step) for step in range(len(plan.duty))],
        "learnt": None
        if learnt is None
        else {
            "at": rfc3339(learnt.at_ms),
            "figures": {
                name: {"value": value, "low": low, "high": high} for name, (value, low, high) in learnt.figures.items()
            },
        },
    }


def _step(plan: Foresight, step: int) -> dict[str, Any]:
    return {
        "at": rfc3339(plan.starts_ms + round(1000 * plan.step_s * step)),
        "duty": round(plan.duty[step], 3),
        "soil_c": round(plan.soil_c[step + 1], 2),
        "set_point_c": plan.set_point_c[step],
        "outside_c": round(plan.outside_c[step], 1),
        "light_w_m2": round(plan.light_w_m2[step], 0),
    }
