"""Why this much heat, and the night ahead, in a reader's words."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from api.pages import words
from api.pages.unheated import unheated
from api.pages.words import Unit
from api.planned import planned
from api.state import State
from controller.control.foresight import Foresight
from controller.duty_words import duty_words
from controller.store.plans import Learnt
from controller.units import FAHRENHEIT_PER_K


@dataclass(frozen=True, slots=True)
class Ahead:
    """Two sentences, each empty where there is nothing to say, and a quiet one."""

    now: str
    ahead: str
    learnt: str


def ahead(state: State, seen: Mapping[str, Any], enclosure: str, rated_w: float, unit: Unit) -> Ahead:
    """Return what an enclosure's page says of the heat now and in the coming hours."""
    found, now_ms = planned(state, enclosure), state.clock.now().utc_ms
    control = seen.get("control")
    this_much = "" if control is None else duty_words(control, unit is Unit.F)
    zone = state.settings.site.zone
    learnt = "" if found.learnt is None else _learnt(found.learnt, words.moment(found.learnt.at_ms, now_ms, zone), unit)
    if found.plan is None:
        return Ahead(this_much, f"No plan for the hours ahead: {found.word}." if found.word else "", learnt)
    # The planner goes by the record, and knows of no trip.
    can = not unheated(seen, unit)
    return Ahead(this_much, _ahead(state, found.plan, rated_w, unit, can=can), learnt)


def _learnt(learnt: Learnt, when: str, unit: Unit) -> str:
    """Say how much a day of full heat does; nothing of a model that was adopted without it."""
    figure = learnt.figures.get("rise_24h_k")
    if figure is None:
        return ""
    scale, sign = (FAHRENHEIT_PER_K, "°F") if unit is Unit.F else (1.0, "K")
    value, low, high = (f"{scale * each:.0f}" for each in figure)
    return (
        f"Full heat for a day lifts this soil by {value} {sign}, likely {low} to {high}; learnt {when} from its own "
        "readings."
    )


def _ahead(state: State, plan: Foresight, rated_w: float, unit: Unit, *, can: bool) -> str:
    """Say the coldest soil expected, when, and the heat of the next 24 h; `can` tells whether any can come now."""
    now_ms = state.clock.now().utc_ms
    first = max(int((now_ms - plan.starts_ms) / 1000 // plan.step_s), 0)
    steps = range(first, min(first + round(86_400 / plan.step_s), len(plan.duty)))
    if not steps or all(plan.set_point_c[step] is None for step in steps):
        return "Nothing is asked for in the coming hours."
    coldest = min(steps, key=lambda step: plan.soil_c[step + 1])
    at_ms = plan.starts_ms + round(1000 * plan.step_s * (coldest + 1))
    kwh = sum(plan.duty[step] for step in steps) * plan.step_s / 3600 * rated_w / 1000
    soil = words.temperature_said(plan.soil_c[coldest + 1], unit)
    outside = words.temperature_said(min(plan.outside_c[step] for step in steps), unit)
    when = words.moment(at_ms, now_ms, state.settings.site.zone)
    site = state.settings.site
    cost = f", {kwh * site.price_per_kwh:.2f} {site.currency}" if site.price_per_kwh else ""
    begin = "Expected" if can else "With heat, which cannot come now, expected"
    return (
        f"{begin} in the next 24 h: outside down to {outside}, soil no colder than {soil} ({when}), "
        f"{kwh:.1f} kWh{cost}."
    )
