"""An enclosure as stores in a row, air over soil over deep ground: what heat holds the roots, at rest and hour by hour.

Notes
-----
Cover, sky, sun and soil as the simulated enclosure has them (`controller.plant`), made linear around a cold night: so
it is solved at once for any weather. Left out: what a vent lets go on a bright day, and gusts.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from controller.plant.construction import AIR_J_M3K, REFERENCE_WIND_M_S, Construction, HeaterKind
from controller.plant.forcing import (
    CONVECTION_DOWN_W_M2K,
    CONVECTION_UP_W_M2K,
    COVER_LIGHT,
    EMISSIVITY,
    cover_inside_w_m2k,
    outside_film_w_m2k,
    radiative_w_m2k,
)
from controller.plant.soil import COLUMN_M, layer_thicknesses_m

Array = NDArray[np.float64]

FIRST_M, LAYERS = 0.02, 14
AIR, SKIN, TOP = 0, 1, 2
OUTSIDE, GROUND, DEEP, SUN, SKY, WATTS = range(6)
"""The inputs: [Cel] outside, of the ground beside the bed and far below; [W/m2] sun and sky; [W] heat."""
SKIN_C, NIGHT_C = 8.0, -2.0
"""[Cel] about which radiation is made linear: soil's skin and outside on a cold night."""


@dataclass(frozen=True, slots=True)
class Balance:
    """The stores [J/K], what flows between them [W/K], what each input brings [W], and where the roots are.

    Notes
    -----
    `flows` times temperatures is what leaves each store; `brings` has a column for each input.
    """

    stores: Array
    flows: Array
    brings: Array
    roots: Array

    def at_rest(self) -> Array:
        """Return every temperature per unit of each input, as if weather and heat stayed for ever."""
        return np.asarray(np.linalg.solve(self.flows, self.brings))

    def stepped(self, seconds: float) -> tuple[Array, Array]:
        """Return what the temperatures become after `seconds` [s], per kelvin of each before and per input."""
        inertia = np.diag(self.stores / seconds)
        solved = np.linalg.solve(inertia + self.flows, np.hstack([inertia, self.brings]))
        return np.asarray(solved[:, : len(self.stores)]), np.asarray(solved[:, len(self.stores) :])


@dataclass(frozen=True, slots=True)
class Air:
    """How the air moves: the wind outside [m/s], and whether the sun warms the soil's skin more than the air."""

    wind_m_s: float = REFERENCE_WIND_M_S
    lit: bool = False


NIGHT = Air()


def balance_of(built: Construction, heater: HeaterKind, roots_m: float, air: Air = NIGHT) -> Balance:
    """Return the balance of a construction with one kind of heater for roots at a depth [m]."""
    c, thick = replace(built, heater=heater), np.array(layer_thicknesses_m(FIRST_M, COLUMN_M, LAYERS))
    depths = np.cumsum(thick) - thick / 2.0
    flows, brings = np.zeros((TOP + LAYERS, TOP + LAYERS)), np.zeros((TOP + LAYERS, 6))
    _above(c, flows, brings, air)
    _below(c, flows, brings, thick, depths)
    at_cable, at_roots = _place(depths, c.cable_depth_m), _place(depths, roots_m)
    if heater is HeaterKind.SOIL_CABLE:
        brings[:, WATTS] = at_cable
    else:
        brings[AIR, WATTS], brings[SKIN, WATTS] = 1.0 - c.radiant_fraction, c.radiant_fraction
    held = c.contents_j_m2k * c.floor_m2 + AIR_J_M3K * c.volume_m3
    stores = np.array([held, 0.0, *(c.texture.heat_capacity_j_m3k * thick * c.floor_m2)])
    return Balance(stores, flows, brings, at_roots)


def _above(c: Construction, flows: Array, brings: Array, air: Air) -> None:
    """Put in air, cover and the soil's skin under sun and sky."""
    clear, floor_m2 = c.longwave_transmission, c.floor_m2
    opaque = (1.0 - clear) * EMISSIVITY
    outer = outside_film_w_m2k(air.wind_m_s, opaque * radiative_w_m2k(NIGHT_C, NIGHT_C))
    through = 1.0 / (1.0 / cover_inside_w_m2k(c) + 1.0 / outer)
    inward = through / outer
    leak = AIR_J_M3K / 3600.0 * c.air_changes_h * (0.5 + 0.5 * air.wind_m_s / REFERENCE_WIND_M_S) * c.volume_m3
    rises = air.lit or c.heater is HeaterKind.SOIL_CABLE
    convection = CONVECTION_UP_W_M2K if rises else CONVECTION_DOWN_W_M2K
    touch = (convection + opaque * radiative_w_m2k(SKIN_C, SKIN_C)) * floor_m2
    _join(flows, AIR, SKIN, touch)
    _lose(flows, brings, AIR, OUTSIDE, through * c.cover_m2 + leak)
    _lose(flows, brings, SKIN, OUTSIDE, clear * EMISSIVITY * radiative_w_m2k(SKIN_C, NIGHT_C) * floor_m2)
    light, dry = c.light_transmission * floor_m2, 1.0 - c.wet_fraction
    steam = light * (c.soil_light + c.contents_light) * c.wet_fraction
    brings[AIR, SUN] = light * c.contents_light * dry + inward * (COVER_LIGHT * floor_m2 + steam)
    brings[SKIN, SUN] = light * c.soil_light * dry
    brings[AIR, SKY] = -inward * (1.0 - clear) * c.sky_view * c.cover_m2
    brings[SKIN, SKY] = -clear * floor_m2


def _below(c: Construction, flows: Array, brings: Array, thick: Array, depths: Array) -> None:
    """Put in the soil, the ground beside the bed and the deep ground under it."""
    half = thick / 2.0 / c.texture.conductivity_w_mk / c.floor_m2
    _join(flows, SKIN, TOP, 1.0 / half[0])
    for at in range(LAYERS - 1):
        _join(flows, TOP + at, TOP + at + 1, 1.0 / (half[at] + half[at + 1]))
    _lose(flows, brings, TOP + LAYERS - 1, DEEP, 1.0 / half[-1])
    for at in range(LAYERS):
        beside, deep = c.edge_w_m3k * thick[at] * c.floor_m2, depths[at] / COLUMN_M
        _lose(flows, brings, TOP + at, GROUND, beside * (1.0 - deep))
        _lose(flows, brings, TOP + at, DEEP, beside * deep)


def _join(flows: Array, one: int, other: int, w_k: float) -> None:
    flows[one, one] += w_k
    flows[other, other] += w_k
    flows[one, other] -= w_k
    flows[other, one] -= w_k


def _lose(flows: Array, brings: Array, store: int, to: int, w_k: float) -> None:
    flows[store, store] += w_k
    brings[store, to] += w_k


def _place(depths: Array, depth_m: float) -> Array:
    """Return the share of each store at a depth [m], between the two layers about it."""
    share = np.array([np.interp(depth_m, depths, np.eye(LAYERS)[at]) for at in range(LAYERS)])
    return np.concatenate([np.zeros(TOP), share])
