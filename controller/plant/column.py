"""Soil as layers between the air and the ground far below, with few figures: what identification fits to readings.

Conductivity and heat capacity, with the depths of probe and cable, say more with less than free stores do: on forty
simulated enclosures free stores missed the soil's answer to a day of heat by 13 % (median), these layers by 8 %.
"""

from dataclasses import dataclass

import numpy as np

from controller.control.stepping import Array, discrete
from controller.plant.air_node import CONTENTS_W_M2K
from controller.plant.construction import AIR_J_M3K, Construction, HeaterKind, infiltration_w
from controller.plant.heat_source import CASE_S, row_lag_s
from controller.plant.sky import STEFAN_BOLTZMANN_W_M2K4

THICK_M = np.array([0.02, 0.03, 0.04, 0.05, 0.07, 0.10, 0.15, 0.25])
"""[m] thin where a day's wave is steep."""
CENTRE_M = np.cumsum(THICK_M) - THICK_M / 2.0
LAYERS = len(THICK_M)
_NEXT = np.diff(np.eye(LAYERS), axis=0)
BETWEEN_PER_M = -_NEXT.T @ np.diag(1.0 / np.diff(CENTRE_M)) @ _NEXT
"""[1/m] What flows into each layer from its neighbours, per W m/K and kelvin of each."""
STORES = LAYERS + 1
"""Layers, and after them what stands in the air: plants and frame."""
CONTENTS, HEAT = LAYERS, LAYERS + 1
TO_DEEP_M = 0.4
"""[m] from the lowest layer to ground that stands still for weeks (engineering judgement)."""
COVER_FEELS = 0.12
"""Part of the sky's coldness that a film takes on (engineering judgement)."""
SKY_BELOW_K = 9.0
"""[K] sky colder than the air, mean of days with six tenths of cloud: 20 clear, 4 overcast (engineering judgement)."""
OUTSIDE, LIGHT, DUTY, SKY = range(4)


@dataclass(frozen=True, slots=True)
class Column:
    """Figures of one enclosure, whole floor; [W/K], [m2] of sun as in `ThermalModel`.

    Parameters
    ----------
    sky_w_k, sky_below_k
        [W/K] from the soil's surface through the cover to the sky, and [K] that the sky is colder than the air.
    contents_w_k, contents_j_k
        [W/K] from the air to plants and frame, and [J/K] that they hold.
    soil_w_m_k, soil_j_m_k, edge_w_m_k
        [W m/K] conductivity times floor, [J/m K] heat capacity times floor, [W/m K] sideways loss; per depth.
    probe_m, cable_m
        [m] depth of the control probe and of a cable.
    to_air, to_surface, to_cable
        Parts of the heater's power.
    """

    loss_w_k: float
    exchange_w_k: float
    sky_w_k: float
    sky_below_k: float
    contents_w_k: float
    contents_j_k: float
    soil_w_m_k: float
    soil_j_m_k: float
    edge_w_m_k: float
    air_sun_m2: float
    soil_sun_m2: float
    lag_s: float
    probe_m: float
    cable_m: float
    heater_w: float
    deep_c: float
    to_air: float
    to_surface: float
    to_cable: float


def column_of(built: Construction, depth_m: float, deep_c: float = 9.0) -> Column:
    """Return the figures that geometry and materials give, before any reading."""
    floor_m2, clear = built.floor_m2, built.longwave_transmission
    buried = built.heater == HeaterKind.SOIL_CABLE
    radiant_w_m2k = 4.0 * STEFAN_BOLTZMANN_W_M2K4 * 278.0**3
    # Warm soil stirs the air; under air that is warmer it lies still (ISO 6946:2017 C.2, between the two).
    exchange_w_k = ((5.0 if buried else 3.5) + radiant_w_m2k * (1.0 - clear)) * floor_m2
    loss_w_k = built.ua_w_k + infiltration_w(built.air_changes_h, built.volume_m3, 1.0)
    light_m2 = built.light_transmission * (1.0 - built.wet_fraction) * floor_m2
    return Column(
        loss_w_k=loss_w_k,
        exchange_w_k=exchange_w_k,
        sky_w_k=radiant_w_m2k * max(clear, 0.01) * floor_m2,
        sky_below_k=SKY_BELOW_K,
        contents_w_k=CONTENTS_W_M2K * floor_m2,
        contents_j_k=built.contents_j_m2k * floor_m2 + AIR_J_M3K * built.volume_m3,
        soil_w_m_k=built.texture.conductivity_w_mk * floor_m2,
        soil_j_m_k=built.texture.heat_capacity_j_m3k * floor_m2,
        edge_w_m_k=built.edge_w_m3k * floor_m2,
        air_sun_m2=built.contents_light * light_m2,
        soil_sun_m2=built.soil_light * light_m2,
        lag_s=max(row_lag_s(built), 60.0) if buried else CASE_S,
        probe_m=depth_m,
        cable_m=built.cable_depth_m,
        heater_w=built.rated_w,
        deep_c=deep_c,
        to_air=0.0 if buried else 1.0 - built.radiant_fraction,
        to_surface=0.0 if buried else built.radiant_fraction,
        to_cable=1.0 if buried else 0.0,
    )


def share_at(depth_m: float) -> Array:
    """Return the weights of the layers at a depth [m]: linear between their middles."""
    low = int(np.clip(np.searchsorted(CENTRE_M, depth_m) - 1, 0, LAYERS - 2))
    part = float(np.clip((depth_m - CENTRE_M[low]) / (CENTRE_M[low + 1] - CENTRE_M[low]), 0.0, 1.0))
    weights = np.zeros(LAYERS)
    weights[low], weights[low + 1] = 1.0 - part, part
    return weights


def surface_and_air(column: Column) -> Array:
    """Return two rows, surface and air [Cel], linear in top layer, contents, heat [W], outside, light, sky below air.

    Both stand in balance: what hangs on them is heavy, they are light.
    """
    m = column
    top_w_k = m.soil_w_m_k / (THICK_M[0] / 2.0)
    among = np.array(
        [
            [m.exchange_w_k + m.sky_w_k + top_w_k, -m.exchange_w_k],
            [-m.exchange_w_k, m.loss_w_k + m.exchange_w_k + m.contents_w_k],
        ]
    )
    into = np.array(
        [
            [top_w_k, 0.0, m.to_surface, m.sky_w_k, m.soil_sun_m2, -m.sky_w_k],
            [0.0, m.contents_w_k, m.to_air, m.loss_w_k, 0.0, -m.loss_w_k * COVER_FEELS],
        ]
    )
    return np.asarray(np.linalg.solve(among, into))


def air_c(column: Column, states: Array, inputs: Array) -> Array:
    """Return the air [Cel] that balances each row of states and of outside and light, under its usual sky."""
    _, air = surface_and_air(column)
    beside_c = inputs[:, [OUTSIDE, LIGHT]] @ air[3:5] + air[5] * column.sky_below_k
    return np.asarray(states[:, [0, CONTENTS, HEAT]] @ air[:3] + beside_c)


def rates(column: Column) -> tuple[Array, Array, Array]:
    """Return change per second as a x + b u + c; x is the stores and the lagged heat, u the four inputs."""
    m, states, felt = column, STORES + 1, [0, CONTENTS, HEAT]
    a, b, c = np.zeros((states, states)), np.zeros((states, 4)), np.zeros(states)
    surface, air = surface_and_air(m)
    for store, w_k, beside in ((0, m.soil_w_m_k / (THICK_M[0] / 2.0), surface), (CONTENTS, m.contents_w_k, air)):
        a[store, felt], b[store, [OUTSIDE, LIGHT, SKY]] = w_k * beside[:3], w_k * beside[3:]
        a[store, store] -= w_k
    b[CONTENTS, LIGHT] += m.air_sun_m2
    a[:LAYERS, :LAYERS] += m.soil_w_m_k * BETWEEN_PER_M
    away_w_k = m.edge_w_m_k * THICK_M
    away_w_k[-1] += m.soil_w_m_k / (THICK_M[-1] / 2.0 + TO_DEEP_M)
    a[range(LAYERS), range(LAYERS)] -= away_w_k
    c[:LAYERS] = away_w_k * m.deep_c
    a[:LAYERS, HEAT] += m.to_cable * share_at(m.cable_m)
    holds_j_k = np.append(m.soil_j_m_k * THICK_M, m.contents_j_k)
    a[:STORES] /= holds_j_k[:, None]
    b[:STORES] /= holds_j_k[:, None]
    c[:STORES] /= holds_j_k
    a[HEAT, HEAT], b[HEAT, DUTY] = -1.0 / m.lag_s, m.heater_w / m.lag_s
    return a, b, c


def stepped(column: Column, seconds: float) -> tuple[Array, Array, Array]:
    """Return the exact step of `seconds` [s] (matrix exponential): x' = a x + b u + c."""
    step = discrete(*rates(column), seconds)
    return step.a, step.b, step.c


def needed(column: Column) -> dict[str, float]:
    """Return what control needs: [K] by full heat for 2 h and for 24 h, duty per K outside and per W/m2 of light."""
    a, b, _ = stepped(column, 1800.0)
    probe, state, rise = share_at(column.probe_m), np.zeros(STORES + 1), []
    for _step in range(48):
        state = a @ state + b[:, DUTY]
        rise.append(float(probe @ state[:LAYERS]))
    lasting, driven, _ = rates(column)
    stands = probe @ np.linalg.solve(lasting, -driven)[:LAYERS]
    return {
        "rise_2h_k": rise[3],
        "rise_24h_k": rise[-1],
        "outside_per_k": float(stands[OUTSIDE] / stands[DUTY]),
        "sun_per_w_m2": float(stands[LIGHT] / stands[DUTY]),
    }
