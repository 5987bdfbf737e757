"""Whether a bed has dried out or stands in water, by what its nights have taught."""

from dataclasses import replace

import pytest

from controller.control.foresight import Foresight
from controller.control.thermal import ThermalModel
from controller.control.tuned import tuned_by
from controller.ground import Ground, ground, highest_c
from tests.core_site import AIR, SOIL, Bed, plan_of

CABLE = plan_of()
FAN = plan_of(SOIL, AIR, heater={"kind": "air-heater", "rated_w": 300.0})


def taught(model: ThermalModel, down: float = 1.0, store: float = 1.0, lag: float = 1.0) -> Foresight:
    """Return a plan of nothing whose model is the given one, what goes down, stores and lag so many times as large."""
    learnt = replace(
        model, bed_lower_w_k=model.bed_lower_w_k * down, bed_j_k=model.bed_j_k * store,
        upper_j_k=model.upper_j_k * store, lag_s=model.lag_s * lag,
    )  # fmt: skip
    return Foresight(0, 1800.0, (), (0.0,), (), tuned=tuned_by(learnt))


@pytest.mark.parametrize(
    ("down", "store", "lag", "found"),
    [
        (1.0, 1.0, 1.0, Ground.AS_SET),
        (0.955, 1.0, 1.0, Ground.AS_SET),
        (0.945, 1.0, 1.0, Ground.DRY),
        (1.0, 0.505, 1.0, Ground.AS_SET),
        (1.0, 0.495, 1.0, Ground.DRY),
        (1.0, 1.995, 1.0, Ground.AS_SET),
        (1.0, 2.005, 1.0, Ground.WET),
        (9.0, 1.0, 1.0, Ground.AS_SET),
        (0.945, 1.9, 1.0, Ground.DRY),
        (0.945, 2.005, 1.0, Ground.DRY),
        (9.0, 0.495, 1.0, Ground.DRY),
        (9.0, 2.005, 1.0, Ground.WET),
        (1.2, 0.97, 25.0, Ground.AS_SET),
        (1.2, 1.0, 0.1, Ground.AS_SET),
    ],
)
def test_what_leads_little_down_or_holds_little_is_dry_and_what_holds_much_wet(
    down: float, store: float, lag: float, found: Ground
) -> None:
    """E05, E06: just inside and just outside each bound; an answer that is late says nothing."""
    known = taught(CABLE.tuned.model, down, store, lag)
    assert ground(CABLE, known) is found
    assert highest_c(CABLE, known) == (27.0 if found is Ground.DRY else 32.0)


def test_a_bound_itself_is_dry_or_wet() -> None:
    """At 0.95 of what goes down, at half and at twice the store."""
    even = replace(CABLE.tuned.model, upper_j_k=2.0**20, bed_j_k=2.0**20, bed_lower_w_k=1.0)
    plan = replace(CABLE, tuned=tuned_by(even))
    for down, store, found in ((0.95, 1.0, Ground.DRY), (1.0, 0.5, Ground.DRY), (1.0, 2.0, Ground.WET)):
        assert ground(plan, taught(even, down, store)) is found


def test_nothing_learnt_and_heat_in_the_air_say_nothing_of_the_ground() -> None:
    """No plan, a plan of geometry alone, and an air heater, whose warmth comes round by the air."""
    assert ground(CABLE, None) is Ground.AS_SET
    assert ground(CABLE, replace(taught(CABLE.tuned.model), tuned=None)) is Ground.AS_SET
    assert ground(FAN, taught(FAN.tuned.model, 0.1, 0.1)) is Ground.AS_SET
    assert highest_c(CABLE, None) == 32.0


def test_a_tightened_ceiling_falls_too() -> None:
    """Five kelvin below what holds otherwise."""
    plan = plan_of(limits={"highest_set_point": 24.0})
    assert highest_c(plan, taught(plan.tuned.model, 0.4)) == 19.0


@pytest.mark.parametrize(("asked_c", "counts_c"), [(32.0, 27.0), (27.1, 27.0), (27.0, 27.0), (20.0, 20.0)])
def test_in_dry_soil_no_higher_set_point_counts_and_people_are_told(asked_c: float, counts_c: float) -> None:
    """E06: heat goes on, at most to 27 Cel; the alert names the bound; answered as set, all is as before."""
    bed = Bed(CABLE, {"soil": 10.0, "air": 10.0}, also={"foresight": taught(CABLE.tuned.model, 0.4)})
    bed.state.standing = replace(bed.state.standing, override_c=asked_c)
    bed.run(90)
    assert (bed.on, bed.state.asked_c, bed.alerts) == (True, counts_c, ["soil-dry"])
    assert "above 27 Cel" in next(each.detail for each in bed.state.alerts if each.name == "soil-dry")
    bed.also["foresight"] = taught(CABLE.tuned.model)
    bed.run(20)
    assert (bed.state.asked_c, bed.alerts) == (asked_c, [])


def test_a_bed_that_stands_in_water_is_told_and_heats_on() -> None:
    """E05: an alert; the earth-fault breaker covers the rest."""
    bed = Bed(CABLE, {"soil": 10.0, "air": 10.0}, also={"foresight": taught(CABLE.tuned.model, store=2.5)})
    bed.run(90)
    assert (bed.on, bed.state.asked_c, bed.alerts) == (True, 20.0, ["soil-wet"])
