"""The model an enclosure has before anything was measured: from its geometry and materials alone."""

from controller.control.thermal import ThermalModel
from controller.plant.construction import STILL_SURFACE_W_M2K, Construction, HeaterKind, infiltration_w
from controller.plant.heat_source import CASE_S, row_lag_s

LOWER_M = 0.35
"""[m] thickness of the store below the bed: there a fortnight's wave is still half felt (engineering judgement)."""
TO_DEEP_M = 0.3
"""[m] from that store's foot to ground that stands still for weeks (engineering judgement)."""
DEEP_C = 9.0
"""[Cel] that ground, until days of readings tell better (annual mean of middle latitudes; engineering judgement)."""


def model_of(built: Construction, depth_m: float, deep_c: float = DEEP_C) -> ThermalModel:
    """Return the model of a construction whose control probe lies at a depth [m].

    Notes
    -----
    The bed reaches from half to one and a half times that depth, so that the probe is in its middle.
    """
    floor_m2, soil, depth_m = built.floor_m2, built.texture, max(depth_m, 0.04)
    heat_j_m3k, k = soil.heat_capacity_j_m3k, soil.conductivity_w_mk
    bed_foot_m = 1.5 * depth_m
    buried = built.heater == HeaterKind.SOIL_CABLE
    light_m2 = built.light_transmission * (1.0 - built.wet_fraction) * floor_m2
    return ThermalModel(
        loss_w_k=built.ua_w_k + infiltration_w(built.air_changes_h, built.volume_m3, 1.0),
        exchange_w_k=STILL_SURFACE_W_M2K * floor_m2,
        upper_j_k=heat_j_m3k * 0.5 * depth_m * floor_m2,
        bed_j_k=heat_j_m3k * depth_m * floor_m2,
        lower_j_k=heat_j_m3k * LOWER_M * floor_m2,
        upper_bed_w_k=k * floor_m2 / (0.75 * depth_m),
        bed_lower_w_k=k * floor_m2 / (0.5 * depth_m + 0.5 * LOWER_M),
        lower_deep_w_k=k * floor_m2 / (0.5 * LOWER_M + TO_DEEP_M)
        + built.edge_w_m3k * (bed_foot_m + LOWER_M) * floor_m2,
        deep_c=deep_c,
        air_sun_m2=built.contents_light * light_m2,
        soil_sun_m2=built.soil_light * light_m2,
        heater_w=built.rated_w,
        to_air=0.0 if buried else 1.0 - built.radiant_fraction,
        to_upper=0.0 if buried else built.radiant_fraction,
        to_bed=1.0 if buried else 0.0,
        lag_s=max(row_lag_s(built), 60.0) if buried else CASE_S,
    )
