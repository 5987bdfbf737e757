"""What follows from a model: weather, gains, and the stand-in for a light probe."""

from dataclasses import replace

import numpy as np
import pytest

from controller.control.model_of import model_of
from controller.control.stepping import BED, HEAT, Array, air_c, chained, rates, rise_k, stepper
from controller.control.thermal import ThermalModel
from controller.control.tuned import forward_of, gains_of, standing_sun_w_m2, tuned_by
from controller.plant.construction import Construction
from tests.thermal_site import AIR, CABLE

BOTH = pytest.mark.parametrize("model", [CABLE, AIR], ids=["cable", "air"])


def at_rest(model: ThermalModel, outside_c: float, light: float, duty: float) -> Array:
    """Return where the stores come to rest."""
    a, b, c = rates(model)
    return np.linalg.solve(a, -(b @ np.array([outside_c, light, duty]) + c))


@BOTH
def test_the_weather_s_duty_holds_the_bed_at_rest(model: ThermalModel) -> None:
    """The closed form and the matrices agree: with that duty the bed comes to rest at the set point."""
    forward = forward_of(model)
    outside_c, light = -3.0, 80.0
    duty = (
        forward.outside_per_k * (18.0 - outside_c)
        + forward.deep_per_k * (18.0 - forward.deep_c)
        - forward.sun_per_w_m2 * light
    )
    assert at_rest(model, outside_c, light, duty)[BED] == pytest.approx(18.0, abs=1e-6)


@BOTH
def test_steps_of_any_length_agree(model: ThermalModel) -> None:
    """Exact discretisation: three steps of ten minutes are one of thirty."""
    short, long = stepper(model, 600.0), stepper(model, 1800.0)
    state, inputs = np.array([15.0, 16.0, 14.0, 100.0, 5.0]), np.array([2.0, 50.0, 0.4])
    thrice = short.after(short.after(short.after(state, inputs), inputs), inputs)
    assert thrice == pytest.approx(long.after(state, inputs), abs=1e-9)


@BOTH
def test_runs_side_by_side_are_runs_one_by_one(model: ThermalModel) -> None:
    """Three runs in one call, of one model or of three, end where each ends alone, stepped row by row."""
    models = [model, replace(model, lag_s=2.0 * model.lag_s), replace(model, loss_w_k=0.5 * model.loss_w_k)]
    each_a, draw = np.stack([stepper(one, 600.0).a for one in models]), np.random.default_rng(1)
    driven, starts = draw.normal(0.0, 0.1, (3, 50, len(each_a[0]))), draw.normal(10.0, 3.0, (3, len(each_a[0])))
    for of_all, a in ((each_a[0], [each_a[0]] * 3), (each_a, each_a)):
        together = chained(of_all, driven, starts)
        for run in range(3):
            state = starts[run]
            for row in range(50):
                state = a[run] @ state + driven[run, row]
            assert together[run, -1] == pytest.approx(state, abs=1e-11)


@BOTH
def test_what_one_step_of_heat_lifts_adds_up_to_the_rise_at_rest(model: ThermalModel) -> None:
    """The pulses of months of full heat sum up to what full heat lifts in the end."""
    lifted = rise_k(model, 1800.0, 48 * 400).sum()
    rest = at_rest(model, 0.0, 0.0, 1.0)[BED] - at_rest(model, 0.0, 0.0, 0.0)[BED]
    assert lifted == pytest.approx(rest, rel=1e-3)


@BOTH
def test_heat_comes_to_rest_at_full_power(model: ThermalModel) -> None:
    """The lagging heater gives its rated power in the end."""
    assert at_rest(model, 0.0, 0.0, 1.0)[HEAT] == pytest.approx(model.heater_w)


def test_a_cable_waits_for_the_weather_and_an_air_heater_does_not() -> None:
    """Weather must come down to a cable; an air heater's warmth comes down the same way at the same time."""
    assert forward_of(CABLE).lag_s > 1800.0
    assert forward_of(AIR).lag_s == 0.0


@BOTH
def test_gains_are_those_of_calm_soil(model: ThermalModel) -> None:
    """Low gain, an integral over many hours; half the power, twice the gain."""
    gains = gains_of(model)
    assert 0.1 < gains.gain_per_k < 1.5
    assert 5 * 3600 < gains.integral_s < 20 * 3600
    assert gains_of(replace(model, heater_w=model.heater_w / 2)).gain_per_k == pytest.approx(2 * gains.gain_per_k)
    assert tuned_by(model).gains == gains


@BOTH
@pytest.mark.parametrize("light", [0.0, 300.0])
def test_warm_air_stands_in_for_the_light(model: ThermalModel, light: float) -> None:
    """Where air, soil and heat are in balance, the light that was there is found again."""
    state = np.array([17.0, 17.0, 15.0, 0.5 * model.heater_w, 0.0])
    air = float(air_c(model, state, np.array([4.0, light, 0.5])))
    assert standing_sun_w_m2(model, air, 4.0, 17.0, 0.5) == pytest.approx(light, abs=1e-6)


def test_geometry_gives_a_model_without_any_data() -> None:
    """A bigger bed loses more; thicker soil above the probe holds more."""
    small, large = model_of(Construction(length_m=3.0), 0.1), model_of(Construction(length_m=12.0), 0.1)
    assert large.loss_w_k > 2 * small.loss_w_k
    assert model_of(Construction(), 0.2).bed_j_k == pytest.approx(2 * model_of(Construction(), 0.1).bed_j_k)
    assert CABLE.to_bed == 1.0
    assert AIR.to_air + AIR.to_upper == pytest.approx(1.0)
