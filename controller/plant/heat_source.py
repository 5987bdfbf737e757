"""How a soil cable or an air heater warms itself before it warms anything else."""

import math

from controller.plant.construction import Construction

CABLE_DIAMETER_M = 0.006
CABLE_CONTACT_M_K_W = 0.5
"""[m K/W] sheath to soil per metre of cable: lumps and air gaps (engineering judgement)."""
SHEATH_S = 180.0
"""[s] time constant of the sheath in its contact resistance (engineering judgement)."""
CASE_RISE_K = 25.0
"""[K] case over air at full power and full flow, and the [s] it takes (engineering judgement)."""
CASE_S = 90.0
STILL_AIR = 0.1
"""Part of the case's heat transfer that remains with the fan stopped."""


def spacing_m(construction: Construction) -> float:
    """[m] between the rows of a cable that covers the floor."""
    return construction.floor_m2 * construction.cable_w_m / construction.rated_w


def row_lag_s(construction: Construction) -> float:
    """[s] in which heat spreads from the rows over the layer: s^2 / 4 pi^2 kappa."""
    return spacing_m(construction) ** 2 / (4.0 * math.pi**2 * construction.texture.diffusivity_m2_s)


class BuriedCable:
    """A cable in rows: sheath, then the soil close to the rows, then the layer as a whole.

    Notes
    -----
    Rows lie `spacing` apart; the soil near a row is warmer than the layer's mean by ln(s / pi d) / 2 pi k per W/m
    (images of a line source; Carslaw and Jaeger 1959, 16.9), and the layer follows with the lateral time constant
    s^2 / 4 pi^2 kappa. Heat held near the rows is counted beside the layer's own.
    """

    def __init__(self, construction: Construction, start_c: float) -> None:
        soil = construction.texture
        length_m = construction.rated_w / construction.cable_w_m
        spread = max(math.log(spacing_m(construction) / (math.pi * CABLE_DIAMETER_M)), 0.1)
        self.contact_w_k = length_m / CABLE_CONTACT_M_K_W
        self.spread_w_k = length_m * 2.0 * math.pi * soil.conductivity_w_mk / spread
        self.sheath_j_k = self.contact_w_k * SHEATH_S
        self.near_j_k = self.spread_w_k * row_lag_s(construction)
        self.sheath_c = self.near_c = start_c

    def step(self, seconds: float, power_w: float, layer_c: float) -> float:
        """Let `seconds` [s] pass at `power_w` [W]; return [W] given to a layer that stood at `layer_c` [Cel]."""
        sheath, near = self.sheath_j_k / seconds, self.near_j_k / seconds
        contact, spread = self.contact_w_k, self.spread_w_k
        alone = (sheath * self.sheath_c + power_w) / (sheath + contact)
        share = contact / (sheath + contact)
        self.near_c = (near * self.near_c + contact * alone + spread * layer_c) / (
            near + contact * (1.0 - share) + spread
        )
        self.sheath_c = alone + share * self.near_c
        return spread * (self.near_c - layer_c)

    def content_j(self) -> float:
        """Return [J] held above 0 Cel."""
        return self.sheath_j_k * self.sheath_c + self.near_j_k * self.near_c


def case_w_k(construction: Construction, airflow: float) -> float:
    """Return [W/K] from an air heater's case to the air at `airflow` (1 is normal, 0 a stopped fan)."""
    full = construction.rated_w * (1.0 - construction.radiant_fraction) / CASE_RISE_K
    return full * (STILL_AIR + (1.0 - STILL_AIR) * airflow)


def case_j_k(construction: Construction) -> float:
    """Return [J/K] held by an air heater's case."""
    return case_w_k(construction, 1.0) * CASE_S
