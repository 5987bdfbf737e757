"""What the planner needs to know of an enclosure, from the plan its tick works by."""

from controller.clock import Moment
from controller.enclosure_settings import Enclosure
from controller.heating import asked
from controller.plan import Plan, control_depth_m
from controller.planning.ahead import Place
from controller.planning.foresee import Facts
from controller.plant.from_settings import construction_of
from controller.probe import Quantity
from controller.standing import Standing

SCHEDULE_ALONE = Standing()


def facts_of(enclosure: Enclosure, plan: Plan, standing: Standing = SCHEDULE_ALONE) -> Facts:
    """Return the planner's facts; a person's set point counts as long as it stands."""
    built, times = construction_of(enclosure), plan.times
    inside = any(each.height_m is not None for each in enclosure.of(Quantity.LIGHT))
    place = Place(plan.latitude, plan.longitude, built.light_transmission if inside else 1.0)
    most = times.longest_on_s / (times.longest_on_s + times.rest_s)
    return Facts(
        plan.name,
        place,
        built.floor_m2,
        bool(plan.light),
        most,
        lambda ms: asked(plan, standing, Moment(0.0, ms))[0],
        built,
        control_depth_m(enclosure),
    )
