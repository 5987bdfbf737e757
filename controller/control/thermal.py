"""The small model that control thinks with: three stores of soil under an air balance, and a lagging heater.

Air has no store of its own here: within half an hour it stands where its gains and losses balance. Sky, wind, vapour
and the air's own store are left out; what they do appears as a slow disturbance that the estimate carries along.
"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class ThermalModel:
    """Conductances, stores and gains of one enclosure, whole floor.

    Parameters
    ----------
    loss_w_k
        [W/K] inside air to outside: cover and air exchange.
    exchange_w_k
        [W/K] inside air to the soil's surface.
    upper_j_k, bed_j_k, lower_j_k
        [J/K] soil above the bed, the bed where the control probe and a cable lie, and the soil below it.
    upper_bed_w_k, bed_lower_w_k, lower_deep_w_k
        [W/K] between them, and to the ground far below that stands at `deep_c` [Cel].
    air_sun_m2, soil_sun_m2
        [m2] sun taken up by the air (with what stands in it) and by the soil's surface, per W/m2 of the light that is
        measured, wherever the light probe stands.
    heater_w
        [W] power of the heater.
    to_air, to_upper, to_bed
        Parts of that power, sum 1: an air heater warms air and, by radiation, the surface; a cable warms the bed.
    lag_s
        [s] first-order lag between the relay and the warmth: a cable's rows, an air heater's case.
    """

    loss_w_k: float
    exchange_w_k: float
    upper_j_k: float
    bed_j_k: float
    lower_j_k: float
    upper_bed_w_k: float
    bed_lower_w_k: float
    lower_deep_w_k: float
    deep_c: float
    air_sun_m2: float
    soil_sun_m2: float
    heater_w: float
    to_air: float
    to_upper: float
    to_bed: float
    lag_s: float


LEARNT = (
    "loss_w_k",
    "exchange_w_k",
    "upper_j_k",
    "bed_j_k",
    "lower_j_k",
    "upper_bed_w_k",
    "bed_lower_w_k",
    "lower_deep_w_k",
    "air_sun_m2",
    "soil_sun_m2",
    "lag_s",
)
"""What is learnt of a model; its heater and where its heat goes are the settings' own."""
