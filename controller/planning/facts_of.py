"""What the planner needs to know of an enclosure, from the plan its tick works by."""

from collections.abc import Callable

from controller.control import schedule
from controller.plan import Plan, dated
from controller.planning.ahead import Place
from controller.planning.foresee import Facts
from controller.plant.from_settings import construction_of
from controller.probe import Quantity
from controller.settings import Enclosure
from controller.standing import Standing


def facts_of(enclosure: Enclosure, plan: Plan, standing_now: Callable[[], Standing | None] = lambda: None) -> Facts:
    """Return the planner's facts; a person's set point counts as long as it stands."""
    built = construction_of(enclosure)
    inside = any(each.height_m is not None for each in enclosure.of(Quantity.LIGHT))
    place = Place(plan.latitude, plan.longitude, built.light_transmission if inside else 1.0)
    times = plan.times

    def asked_c(at_ms: int) -> float | None:
        standing = standing_now()
        if standing is not None and standing.override_c is not None:
            until = standing.override_until_ms
            if until is None or at_ms < until:
                return standing.override_c
        return schedule.asked_c(dated(plan, at_ms), at_ms)

    most = times.longest_on_s / (times.longest_on_s + times.rest_s)
    return Facts(plan.name, place, built.floor_m2, bool(plan.light), most, asked_c)
