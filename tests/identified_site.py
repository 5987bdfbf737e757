"""Simulated enclosures that are not quite what their owner says, logged for three days: for tests of identification."""

import math
import random
from dataclasses import dataclass, replace

import numpy as np

from controller.control.log import Log
from controller.plant.construction import TEXTURES, Construction, HeaterKind, Shape, Texture, infiltration_w
from controller.plant.enclosure_plant import EnclosurePlant
from controller.plant.forcing import cover_inside_w_m2k, outside_film_w_m2k
from controller.plant.from_settings import COVERS, SOILS
from controller.plant.sites import Site
from controller.plant.weather import SpringWeather
from controller.probe import Quantity

START_MS = 1_773_100_800_000
ROW_MIN, DAY_ROWS = 10, 144


@dataclass(frozen=True, slots=True)
class Enclosed:
    """What an owner says of an enclosure, what it is, where its soil probe lies, and its weather."""

    told: Construction
    true: Construction
    depth_m: float
    weather: SpringWeather
    seed: int
    set_point_c: float

    def plant(self) -> EnclosurePlant:
        """Return it as it stands at the start."""
        sites = {
            "soil": Site(Quantity.SOIL, -self.depth_m),
            "air": Site(Quantity.AIR, 0.4 * self.told.height_m),
            "outside": Site(Quantity.OUTSIDE, 1.0),
            "light": Site(Quantity.LIGHT, 2.0),
        }
        return EnclosurePlant(
            self.true, self.weather, sites, START_MS, seed=self.seed, deep_c=self.weather.annual_mean_c
        )


def enclosed(seed: int, kind: HeaterKind | None = None) -> Enclosed:
    """Draw one: every figure a fifth or so off what the nearest category of the settings says."""
    draw = random.Random(seed)
    kind = kind or draw.choice(list(HeaterKind))
    width_m, length_m = draw.uniform(0.8, 3.0), draw.uniform(3.0, 12.0)
    soil = TEXTURES[SOILS[draw.choice(list(SOILS))]]
    watts_m2 = draw.uniform(60.0, 120.0) if kind is HeaterKind.SOIL_CABLE else draw.uniform(150.0, 300.0)
    told = Construction(
        length_m=length_m,
        width_m=width_m,
        height_m=width_m * draw.uniform(0.45, 0.7),
        shape=Shape.TUNNEL,
        texture=soil,
        heater=kind,
        rated_w=watts_m2 * width_m * length_m,
        cable_depth_m=draw.uniform(0.08, 0.15),
        **COVERS[draw.choice(["thin film", "film", "double film"])],
    )
    depth_m = draw.choice([0.05, 0.08, 0.1])
    weather = SpringWeather(seed, draw.uniform(45.0, 57.0), 0.0, START_MS, season_day=draw.uniform(50.0, 110.0))
    return Enclosed(told, _as_it_is(told, soil, draw), depth_m, weather, seed, draw.choice([12.0, 15.0]))


def _as_it_is(told: Construction, soil: Texture, draw: random.Random) -> Construction:
    def about(spread: float) -> float:
        return math.exp(draw.gauss(0.0, spread))

    return replace(
        told,
        film_u_w_m2k=told.film_u_w_m2k * about(0.12),
        air_changes_h=about(0.5),
        light_transmission=min(told.light_transmission * about(0.07), 0.93),
        longwave_transmission=min(told.longwave_transmission * about(0.2), 0.85),
        texture=Texture(soil.conductivity_w_mk * about(0.25), soil.heat_capacity_j_m3k * about(0.12)),
        radiant_fraction=draw.uniform(0.1, 0.3),
        edge_path_m=draw.uniform(0.25, 0.8),
        contents_j_m2k=draw.uniform(8000.0, 25_000.0),
        soil_light=draw.uniform(0.35, 0.6),
        contents_light=draw.uniform(0.15, 0.35),
        wet_fraction=draw.uniform(0.1, 0.45),
    )


def logged(site: Enclosed, *, pulses: bool = False, days: int = 3) -> tuple[Log, EnclosurePlant, float]:
    """Return a log, the plant as it stands after it, and the mean wind [m/s]; with pulses, of the nights they ran in.

    Parameters
    ----------
    pulses
        Six pulses of 30 minutes every night from 22:00 instead of what the soil asks for then. They tell the loss of
        those nights, which are calmer than the days between.
    """
    plant, rows, winds = site.plant(), np.zeros((days * DAY_ROWS, 5)), []
    asked = 0.0
    for minute in range(days * 1440):
        if minute % 30 == 0:
            asked = 30.0 * min(max(site.set_point_c - plant.soil_c(site.depth_m), 0.0), 1.0)
        night = (minute - 22 * 60) % 1440
        pulsed = pulses and night < 540
        on = night % 90 < 30 if pulsed else minute % 30 < asked
        plant.advance(60.0, on)
        read = plant.probes()
        rows[minute // ROW_MIN] += np.array([read["soil"], read["air"], read["outside"], read["light"], on]) / ROW_MIN
        if pulsed or not pulses:
            winds.append(site.weather.at(plant.utc_ms).wind_m_s)
    soil_c, air_c, outside_c, light_w_m2, duty = rows.T
    return Log(plant.utc_ms, 600.0, soil_c, air_c, outside_c, light_w_m2, duty), plant, float(np.mean(winds))


def risen_k(site: Enclosed, plant: EnclosurePlant, hours: int) -> float:
    """Return [K] that the soil stands higher after so many hours of full heat than without."""
    ends = []
    for on in (True, False):
        twin = site.plant()
        twin.restore(plant.state())
        for _minute in range(60 * hours):
            twin.advance(60.0, on)
        ends.append(twin.soil_c(site.depth_m))
    return ends[0] - ends[1]


def loss_w_k(site: Enclosed, wind_m_s: float) -> float:
    """Return [W/K] that cover and air exchange truly lose at a wind."""
    built = site.true
    radiant = (1.0 - built.longwave_transmission) * 4.7
    u_w_m2k = 1.0 / (1.0 / cover_inside_w_m2k(built) + 1.0 / outside_film_w_m2k(wind_m_s, radiant))
    changes_h = built.air_changes_h * (0.5 + 0.5 * wind_m_s / 4.0)
    return u_w_m2k * built.cover_m2 + infiltration_w(changes_h, built.volume_m3, 1.0)
