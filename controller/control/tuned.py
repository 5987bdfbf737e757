"""What follows from a model for control: weather to duty, and the gains of the feedback. Closed forms, no arrays."""

from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeVar

from controller.control.pid import Gains
from controller.control.terms import FeedForward
from controller.control.thermal import ThermalModel

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

Some = TypeVar("Some", float, "NDArray[np.float64]")

PROBE_LAG_S = 60.0
"""[s] of a sheathed probe in soil (engineering judgement)."""
HALF_WINDOW_S = 900.0
"""[s] by which heat shared out in windows of half an hour comes late, on the average."""
TRACKS = 0.25
"""Part of its integral time in which a feedback that is alone makes up for what was cut off (engineering judgement)."""
CALM_S = 3.2 * 3600.0
"""[s] closed-loop time constant asked for; soil needs no haste, and the weather's share is not the feedback's."""
MOST_GAIN_PER_K = 2.0
LEAST_GAIN_PER_K, LEAST_CABLE_GAIN_PER_K = 0.05, 0.25
"""[1/K] A cable lies at the probe: soil 2 K too cold calls for all of it soon. Source: engineering judgement."""


@dataclass(frozen=True, slots=True)
class Tuned:
    """A model and what follows from it."""

    model: ThermalModel
    forward: FeedForward
    gains: Gains


def tuned_by(model: ThermalModel) -> Tuned:
    """Return everything control needs of a model."""
    return Tuned(model, forward_of(model), gains_of(model))


def _paths(model: ThermalModel) -> tuple[float, float, float]:
    """Return [W/K] upper store to outside, the part of heat at the upper store that goes down, and air's part to it."""
    total = model.loss_w_k + model.exchange_w_k
    up_w_k = model.exchange_w_k * model.loss_w_k / total
    return up_w_k, model.upper_bed_w_k / (model.upper_bed_w_k + up_w_k), model.exchange_w_k / total


def forward_of(model: ThermalModel) -> FeedForward:
    """Return the duty that holds the bed where it is, per cause: the model's steady state."""
    up_w_k, down, into_soil = _paths(model)
    below_w_k = 1.0 / (1.0 / model.bed_lower_w_k + 1.0 / model.lower_deep_w_k)
    at_surface = model.to_upper + model.to_air * into_soil
    reach = model.to_bed + at_surface * down
    full_w = model.heater_w * reach
    sun_m2 = model.soil_sun_m2 + model.air_sun_m2 * into_soil
    surface_s = model.upper_j_k / (model.upper_bed_w_k + up_w_k)
    return FeedForward(
        outside_per_k=down * up_w_k / full_w,
        deep_per_k=below_w_k / full_w,
        deep_c=model.deep_c,
        sun_per_w_m2=down * sun_m2 / full_w,
        # A cable lies at the probe, and the weather must first come down to it; an air heater comes down with it.
        lag_s=surface_s * model.to_bed / reach,
    )


def gains_of(model: ThermalModel, *, alone: bool = False) -> Gains:
    """Return PI gains for a bed that integrates heat behind a delay.

    Parameters
    ----------
    alone
        Whether nothing tells how cold it is outside, so that the feedback has that to do as well: then no slower than
        the rules have it, a closed-loop time constant as long as the delay.

    Source: Skogestad 2003, SIMC rules (13)-(14) for a slow process, and the half rule (10) for the delay.
    """
    up_w_k, down, into_soil = _paths(model)
    at_surface = model.to_upper + model.to_air * into_soil
    second_s = model.upper_j_k / (model.upper_bed_w_k + up_w_k)
    through = at_surface * down / (model.to_bed + at_surface * down)
    delay_s = HALF_WINDOW_S + PROBE_LAG_S + model.lag_s / 2.0 + second_s / 2.0 * through
    stores_j_k = model.bed_j_k + second_s * model.upper_bed_w_k * through
    k_per_s = model.heater_w * (model.to_bed + at_surface * down) / stores_j_k
    slow_s = delay_s + (delay_s if alone else CALM_S)
    least = LEAST_CABLE_GAIN_PER_K if model.to_bed > 0.5 else LEAST_GAIN_PER_K
    gain = min(max(1.0 / (k_per_s * slow_s), least), MOST_GAIN_PER_K)
    return Gains(gain, 4.0 * slow_s, TRACKS * 4.0 * slow_s if alone else None)


def standing_sun_w_m2(model: ThermalModel, air_c: Some, outside_c: Some, soil_c: Some, duty: Some) -> Some:
    """Return [W/m2] of light that would make the air as warm as it is: the stand-in for a light probe.

    Parameters
    ----------
    air_c, outside_c, soil_c
        [Cel] measured, numbers or arrays; the surface is taken to stand at the bed's temperature.

    Notes
    -----
    Below zero where the air is colder than its balance without sun, as on clear nights.
    """
    lost_w = model.loss_w_k * (air_c - outside_c) + model.exchange_w_k * (air_c - soil_c)
    return (lost_w - model.heater_w * model.to_air * duty) / model.air_sun_m2
