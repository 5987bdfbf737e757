"""Where no probe tells how cold it is outside, the feedback is alone and no calmer than its rules have it."""

import pytest

from controller.control.thermal import ThermalModel
from controller.control.tuned import gains_of, tuned_by
from tests.core_site import AIR, SOIL, Bed, plan_of
from tests.thermal_site import AIR as HOT_AIR
from tests.thermal_site import CABLE

OUTSIDE = {"name": "outside", "quantity": "outside", "height_m": 1.5}
LIGHT = {"name": "light", "quantity": "light"}


@pytest.mark.parametrize("model", [CABLE, HOT_AIR], ids=["cable", "air"])
def test_alone_the_feedback_is_quicker(model: ThermalModel) -> None:
    """More duty a kelvin, and an integral over fewer hours."""
    calm, alone = gains_of(model), gains_of(model, alone=True)
    assert alone.gain_per_k > calm.gain_per_k
    assert alone.integral_s < calm.integral_s
    assert calm.tracking_s is None
    assert alone.tracking_s == pytest.approx(alone.integral_s / 4.0)


def fed_back(outside_c: float | None) -> tuple[float, float, float]:
    """Return the feedback's and the sun's duty for soil half a kelvin cold by day, and the calm gain [1/K]."""
    plan = plan_of(SOIL, AIR, OUTSIDE, LIGHT, control={"ramp_k_per_h": 20.0})
    bed = Bed(plan, {"soil": 19.5, "air": 15.0, "outside": outside_c, "light": 100.0}).run(300)
    terms = bed.state.terms
    assert terms is not None
    return terms.feedback, terms.sun, tuned_by(plan.tuned.model).gains.gain_per_k


def test_a_silent_outside_probe_makes_the_feedback_quick_and_leaves_the_sun_its_term() -> None:
    """The same soil, half a kelvin cold: calm with the probe, as the rules have it without; light counts in both."""
    calm, sunny, gain_per_k = fed_back(8.0)
    alone, still_sunny, _ = fed_back(None)
    assert calm == pytest.approx(0.5 * gain_per_k, rel=0.2)
    assert alone > 1.5 * calm
    assert still_sunny == pytest.approx(sunny)
    assert sunny < 0.0
