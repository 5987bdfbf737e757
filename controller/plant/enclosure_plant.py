"""A heated enclosure: air, cover, contents, heater and a soil column under sky, sun and wind.

Left out: heat carried by water and vapour (but see `forcing`), snow, freezing soil, shading by the neighbours, and
differences along the length.
"""

import math
from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

from controller.plant.air_node import AirNode
from controller.plant.construction import Construction, HeaterKind
from controller.plant.forcing import Forcing, forcing, inside_humidity_pct, vent_opening
from controller.plant.heat_source import BuriedCable, case_w_k
from controller.plant.sites import Felt, ProbeBank, Site
from controller.plant.soil import SoilColumn
from controller.plant.weather import Weather
from controller.probe import Quantity

LONGEST_STEP_S = 60.0
MINUTE_S = 60.0
MAINS_V = 230.0
VENT_FULL_CHANGES_H = 15.0
GROUND_MEMORY_S = 3.0 * 86_400.0
"""[s] the surface of the ground beside the bed follows outdoors with this lag (engineering judgement)."""


class EnclosurePlant:
    """One simulated enclosure behind the `Plant` protocol.

    Parameters
    ----------
    construction, weather
        What it is made of and what is outside.
    sites
        Probe name to where it sits.
    start_ms
        [ms] UTC at which it starts.
    seed, noise_k
        Which probe noise, and its standard deviation [K].
    soil_c, deep_c
        [Cel] soil at the start (None: the weather then, or 4 Cel if warmer) and at 1.5 m for good.

    Notes
    -----
    `airflow` (1 is normal) and `vent` [1/h of extra air] may be set at any time to make faults; they act from the
    next step. Everything is solved together and implicitly: stable at any step; steps over 60 s are divided.
    """

    def __init__(
        self,
        construction: Construction,
        weather: Weather,
        sites: Mapping[str, Site],
        start_ms: int,
        *,
        seed: int = 0,
        noise_k: float = 0.02,
        soil_c: float | None = None,
        deep_c: float = 9.5,
    ) -> None:
        self._construction, self._weather, self._start_ms = construction, weather, start_ms
        self._elapsed_s = self._energy_j = self._power_w = self._opening = self._seconds = 0.0
        self._minute = -1
        outside_c = weather.at(start_ms).outside_c
        surface_c = max(outside_c, 4.0) if soil_c is None else soil_c
        self.air = AirNode(construction, outside_c)
        self._ground_c = outside_c
        self.soil = SoilColumn(
            construction.texture.conductivity_w_mk,
            construction.texture.heat_capacity_j_m3k,
            surface_c=surface_c,
            deep_c=deep_c,
            edge_w_m3k=construction.edge_w_m3k,
            cable_depth_m=construction.cable_depth_m,
        )
        self._buried = construction.heater == HeaterKind.SOIL_CABLE
        self._cable = BuriedCable(construction, self.soil.cable_layer_c)
        self._bank = ProbeBank(sites, self.soil, construction.height_m, noise_k, seed)
        self._airflow, self._vent = 1.0, 0.0
        self._floor_m2, self._rated_w, self._ua_w_k = construction.floor_m2, construction.rated_w, construction.ua_w_k
        self._is_humidity_felt = any(each.quantity is Quantity.HUMIDITY for each in sites.values())
        self._refresh()
        self._felt = self._feel()
        self._bank.follow(1.0, self._felt)

    @property
    def energy_j(self) -> float:
        """[J] rated power times time energised."""
        return self._energy_j

    @property
    def utc_ms(self) -> int:
        """[ms] UTC it stands at."""
        return self._start_ms + round(self._elapsed_s * 1000.0)

    @property
    def surface_c(self) -> float:
        """[Cel] of the cable's sheath or the air heater's case."""
        return self._cable.sheath_c if self._buried else self.air.case_c

    @property
    def airflow(self) -> float:
        """Air through the heater: 1 is normal, 0 a stopped fan."""
        return self._airflow

    @airflow.setter
    def airflow(self, share: float) -> None:
        self._airflow, self._minute = min(max(share, 0.0), 2.0), -1

    @property
    def vent(self) -> float:
        """[1/h] of extra air change: an open door, a torn film."""
        return self._vent

    @vent.setter
    def vent(self, changes_h: float) -> None:
        self._vent, self._minute = max(changes_h, 0.0), -1

    @property
    def air_c(self) -> float:
        """[Cel] the true air, well mixed."""
        return self.air.air_c

    def soil_c(self, depth_m: float) -> float:
        """Return the true soil temperature [Cel] at a depth [m]."""
        return self.soil.at_c(depth_m)

    def advance(self, seconds: float, heater_on: bool) -> None:
        """Let `seconds` [s] pass.

        Raises
        ------
        ValueError
            If `seconds` is not finite and above 0.
        """
        if not 0.0 < seconds < math.inf:
            raise ValueError(f"cannot advance by {seconds} s; it must be finite and above 0")
        steps = 1 if seconds <= LONGEST_STEP_S else math.ceil(seconds / LONGEST_STEP_S)
        for _ in range(steps):
            self._step(seconds / steps, heater_on)

    def _step(self, seconds: float, heater_on: bool) -> None:
        minute = int(self._elapsed_s // MINUTE_S)
        if minute != self._minute:
            self._minute = minute
            self._refresh()
            self._bind(seconds)
        elif seconds != self._seconds:
            self._bind(seconds)
        power_w = self._power_w = self._rated_w if heater_on else 0.0
        soil_w_m2, cable_w_m2, case_w = self._now.soil_gain_w_m2, 0.0, 0.0
        if self._buried:
            cable_w_m2 = self._cable.step(seconds, power_w, self.soil.cable_layer_c) / self._floor_m2
        elif power_w:
            radiant_w = power_w * self._construction.radiant_fraction
            soil_w_m2 += radiant_w / self._floor_m2
            case_w = power_w - radiant_w
        self.soil.substitute(self.air.solve(self.soil.eliminate(soil_w_m2, cable_w_m2), case_w))
        self._elapsed_s += seconds
        self._energy_j += power_w * seconds
        self._felt = self._feel()
        self._bank.follow(seconds, self._felt)

    def _refresh(self) -> None:
        """Look at the weather again, once a simulated minute."""
        c, now = self._construction, self._weather.at(self.utc_ms)
        self._opening = vent_opening(c, self._opening, self.air.air_c)
        changes_h = self._vent + VENT_FULL_CHANGES_H * self._opening
        self._now = forcing(c, now, self.air.air_c, self.soil.skin_c, changes_h)
        self._ground_c += (now.outside_c - self._ground_c) * MINUTE_S / GROUND_MEMORY_S

    def _bind(self, seconds: float) -> None:
        """Prepare the coefficients of a step of `seconds` [s] under the present forcing."""
        now = self._now
        self._seconds = seconds
        self.soil.factor(seconds, now.soil_air_w_m2k, now.soil_sky_w_m2k)
        self.soil.drive(now.sky_c, self._ground_c)
        blown_w_k = 0.0 if self._buried else case_w_k(self._construction, self._airflow)
        self.air.bind(seconds, now, blown_w_k, self.soil.skin_per_air)

    def _feel(self) -> Felt:
        """Return what probes feel; warm air gathers under the ridge, up to 5 K more than at the floor."""
        now = self._now
        warm_w = 0.0 if self._buried else self._power_w
        tilt_k = 1.5 * warm_w / (10.0 * self._ua_w_k) + 3.0 * now.ghi_w_m2 / 800.0
        return Felt(
            self.air.air_c,
            tilt_k if tilt_k < 5.0 else 5.0,
            now.outside_c,
            inside_humidity_pct(now, self.air.air_c, self.air.cover_c) if self._is_humidity_felt else math.nan,
            self.surface_c,
            now.ghi_w_m2,
            now.ghi_w_m2 * self._construction.light_transmission,
            self._power_w / MAINS_V,
        )

    def probes(self) -> dict[str, float]:
        """Return one reading per probe, in the unit of its quantity."""
        return self._bank.read(self._felt)

    def content_j(self) -> float:
        """Return [J] held above 0 Cel by everything."""
        held = self.air.content_j() + self.soil.content_j_m2() * self._floor_m2
        return held + (self._cable.content_j() if self._buried else 0.0)

    def gained_w(self) -> float:
        """Return [W] net gain during the last step: heater and sun, less every loss."""
        c, now = self._construction, self._now
        lost = (now.leak_w_k * (self.air.air_c - now.outside_c)) + now.cover_out_w_k * (
            self.air.cover_c - now.outside_c
        )
        lost += self.soil.lost_w_m2() * c.floor_m2
        lost += now.soil_sky_w_m2k * (self.soil.skin_c - now.sky_c) * c.floor_m2
        gained = now.cover_gain_w + now.contents_gain_w + now.soil_gain_w_m2 * c.floor_m2
        return self._power_w + gained - lost

    def state(self) -> dict[str, Any]:
        """Return everything that changes, ready for JSON; `restore` on a plant made alike goes on identically."""
        return {
            "elapsed_s": self._elapsed_s,
            "energy_j": self._energy_j,
            "power_w": self._power_w,
            "minute": self._minute,
            "nodes": [*self.air.nodes, self._ground_c, self._opening],
            "cable": [self._cable.sheath_c, self._cable.near_c],
            "soil": [*self.soil.celsius, self.soil.skin_c],
            "faults": [self._airflow, self._vent],
            "forcing": asdict(self._now),
            "probes": self._bank.state(),
        }

    def restore(self, state: Mapping[str, Any]) -> None:
        """Go back to a stored `state`.

        Raises
        ------
        KeyError, ValueError
            If the state is not one of ours.
        """
        self._elapsed_s, self._energy_j = state["elapsed_s"], state["energy_j"]
        self._power_w, self._minute = state["power_w"], state["minute"]
        *nodes, self._ground_c, self._opening = state["nodes"]
        air_c, cover_c, contents_c, case_c = nodes
        self.air.nodes = (air_c, cover_c, contents_c, case_c)
        self._cable.sheath_c, self._cable.near_c = state["cable"]
        *self.soil.celsius, self.soil.skin_c = state["soil"]
        self._airflow, self._vent = state["faults"]
        self._now = Forcing(**state["forcing"])
        self._bank.restore(state["probes"]["lagged"], state["probes"]["next"])
        self._felt = self._feel()
        self._seconds = 0.0
