"""A linear tunnel that shares nothing with our own plant: conductances between 21 stores, and two lagging probes."""

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import expm

Array = NDArray[np.float64]

AIR, COVER, CASE, TOP = range(4)
LAYERS, DEPTH_M, STRETCH = 18, 1.5, 1.2
CORE = TOP + LAYERS
SOIL_PROBE, AIR_PROBE = CORE, CORE + 1
STATES = CORE + 2
INPUTS = ("outside_c", "sky_k", "sun_w_m2", "power_w", "one")
"""Outside air, how much colder the sky is, sun on flat ground, electrical power, and 1 for the ground far below."""
OUTSIDE, SKY, SUN, POWER, ONE = range(len(INPUTS))
STEP_K = 1.0 / 16.0
RADIATES_W_M2K = 5.0
"""[W/m2K] long wave near 10 Cel, 4 sigma T3 (Stefan-Boltzmann)."""


@dataclass(frozen=True, slots=True)
class Built:
    """One tunnel as it really is; all lengths [m].

    Parameters
    ----------
    cover_w_m2k, leaks_per_h
        Air to air through the cover [W/m2K], and changes of air [1/h].
    lets_sun, lets_longwave, into_soil, into_plants
        0-1: sun let in, long wave let through, and what soil and plants make of the sun that came in.
    conducts_w_mk, holds_j_m3k
        The soil.
    edge, stands_c
        [m] of soil between the bed's sides and open ground, and [Cel] of the ground at 1.5 m.
    near_s
        [s] lag of a cable's surroundings, or of an air heater's case.
    """

    name: str
    length: float
    width: float
    height: float
    cover_w_m2k: float
    conducts_w_mk: float
    holds_j_m3k: float
    rated_w: float
    set_point_c: float
    told: dict[str, Any] = field(hash=False, compare=False)
    cable_at: float | None = None
    probe_at: float = 0.10
    leaks_per_h: float = 1.0
    lets_sun: float = 0.7
    lets_longwave: float = 0.4
    into_soil: float = 0.36
    into_plants: float = 0.22
    plants_j_m2k: float = 14_000.0
    radiant: float = 0.15
    edge: float = 0.7
    stands_c: float = 8.5
    near_s: float = 1500.0

    @property
    def floor_m2(self) -> float:
        """[m2] ground covered."""
        return self.length * self.width

    @property
    def cover_m2(self) -> float:
        """[m2] half an elliptic tube with its ends; girth by the root mean square of the half axes."""
        half = self.width / 2
        return math.pi * math.sqrt((half**2 + self.height**2) / 2) * self.length + math.pi * half * self.height


class Linear:
    """The tunnel as matrices: x' = a x + b u, and the rows that read soil at the probe's place and the air."""

    def __init__(self, built: Built) -> None:
        self.built = built
        thick = STRETCH ** np.arange(LAYERS)
        self._thick = thick * DEPTH_M / thick.sum()
        self._middle = np.cumsum(self._thick) - self._thick / 2
        self._flows, self._into = np.zeros((STATES, STATES)), np.zeros((STATES, len(INPUTS)))
        self.holds_j_k = self._stores()
        self._above()
        self._below()
        self._heater()
        self.true_row = np.zeros(STATES)
        self.true_row[TOP : TOP + LAYERS] = self._at(built.probe_at)
        self.a, self.b = self._flows / self.holds_j_k[:, None], self._into / self.holds_j_k[:, None]
        self._lag(SOIL_PROBE, self.true_row, 90.0)
        self._lag(AIR_PROBE, np.eye(STATES)[AIR], 45.0)
        self._kept: dict[float, tuple[Array, Array]] = {}

    def steps(self, seconds: float) -> tuple[Array, Array]:
        """Return the exact discrete form for steps of `seconds` [s] under constant inputs."""
        if seconds not in self._kept:
            whole = np.zeros((STATES + len(INPUTS),) * 2)
            whole[:STATES, :STATES], whole[:STATES, STATES:] = self.a, self.b
            grown = np.asarray(expm(whole * seconds))
            self._kept[seconds] = (grown[:STATES, :STATES].copy(), grown[:STATES, STATES:].copy())
        return self._kept[seconds]

    def steady(self, inputs: Array) -> Array:
        """Return the state that stays as it is under constant inputs."""
        return np.asarray(np.linalg.solve(self.a, -self.b @ inputs))

    def _stores(self) -> Array:
        built, holds = self.built, np.ones(STATES)
        volume_m3 = math.pi / 4 * built.width * built.height * built.length
        holds[AIR] = 1210.0 * volume_m3 + built.plants_j_m2k * built.floor_m2
        holds[COVER] = 600.0 * built.cover_m2
        holds[TOP : TOP + LAYERS] = built.holds_j_m3k * self._thick * built.floor_m2
        return holds

    def _join(self, one: int, other: int, w_k: float) -> None:
        for here, there in ((one, other), (other, one)):
            self._flows[here, here] -= w_k
            self._flows[here, there] += w_k

    def _outward(self, node: int, w_k: float, sky: bool = False) -> None:
        self._flows[node, node] -= w_k
        self._into[node, OUTSIDE] += w_k
        self._into[node, SKY] -= w_k * sky

    def _above(self) -> None:
        """Air, cover, surface, outside and sky."""
        built, floor, cover = self.built, self.built.floor_m2, self.built.cover_m2
        outer = 14.0
        inner = 1.0 / (1.0 / built.cover_w_m2k - 1.0 / outer)
        seen = RADIATES_W_M2K * floor
        self._join(AIR, COVER, inner * cover)
        self._join(AIR, TOP, 4.5 * floor)
        self._join(TOP, COVER, (1.0 - built.lets_longwave) * 0.8 * seen)
        self._outward(COVER, (outer - RADIATES_W_M2K * 0.6) * cover)
        self._outward(COVER, RADIATES_W_M2K * 0.6 * cover, sky=True)
        self._outward(TOP, built.lets_longwave * 0.6 * seen, sky=True)
        self._outward(AIR, 0.34 * built.leaks_per_h * math.pi / 4 * built.width * built.height * built.length)
        for node, part in ((TOP, built.into_soil), (AIR, built.into_plants)):
            self._into[node, SUN] = part * built.lets_sun * floor
        self._into[COVER, SUN] = 0.06 * floor

    def _below(self) -> None:
        """Layer to layer, down to ground that stands still, and out at the edges: near the top to the open bed."""
        built, floor = self.built, self.built.floor_m2
        for layer in range(LAYERS - 1):
            apart = (self._thick[layer] + self._thick[layer + 1]) / 2
            self._join(TOP + layer, TOP + layer + 1, built.conducts_w_mk * floor / apart)
        self._grounded(TOP + LAYERS - 1, built.conducts_w_mk * floor / (self._thick[-1] / 2 + 0.5))
        for layer in range(LAYERS):
            side_m2 = 2.0 * (built.length + built.width) * self._thick[layer]
            w_k = built.conducts_w_mk * side_m2 / built.edge
            open_part = math.exp(-self._middle[layer] / 0.2)
            self._outward(TOP + layer, w_k * open_part)
            self._grounded(TOP + layer, w_k * (1.0 - open_part))

    def _grounded(self, node: int, w_k: float) -> None:
        self._flows[node, node] -= w_k
        self._into[node, ONE] += w_k * self.built.stands_c

    def _heater(self) -> None:
        built = self.built
        if built.cable_at is None:
            w_k = built.rated_w * (1.0 - built.radiant) / 22.0
            self._join(CASE, AIR, w_k)
            self._into[CASE, POWER], self._into[TOP, POWER] = 1.0 - built.radiant, built.radiant
        else:
            w_k = built.rated_w / 9.0
            for layer, share in enumerate(self._at(built.cable_at)):
                if share:
                    self._join(CASE, TOP + layer, w_k * float(share))
            self._into[CASE, POWER] = 1.0
        self.holds_j_k[CASE] = w_k * built.near_s

    def _at(self, depth: float) -> Array:
        """Return the shares of the layers at a depth: a straight line between two middles."""
        return np.array([np.interp(depth, self._middle, each) for each in np.eye(LAYERS)])

    def _lag(self, node: int, row: Array, seconds: float) -> None:
        self.a[node] = row / seconds
        self.a[node, node] = -1.0 / seconds
        self.b[node] = 0.0


class LabPlant:
    """A linear tunnel behind the door that every plant has (`controller.plant.Plant`).

    Parameters
    ----------
    weather
        Rows of outside, sky and sun, one per `weather_s` [s] from the start; the last one holds on.
    noise_k
        [K] standard deviation of what a probe adds before it rounds to sixteenths.
    """

    def __init__(
        self, linear: Linear, weather: Array, state: Array, weather_s: float = 60.0, seed: int = 0,
        noise_k: float = 0.02, light: bool = True,
    ) -> None:  # fmt: skip
        self.linear, self.state, self.energy_j, self.at_s = linear, state.copy(), 0.0, 0.0
        self._weather, self._weather_s, self._light = weather, weather_s, light
        self._draw, self._noise_k = np.random.default_rng(seed), noise_k
        self._pushes: dict[float, Array] = {}
        self.true_c: list[float] = []

    def _row(self) -> int:
        return min(int(self.at_s / self._weather_s), len(self._weather) - 1)

    def _pushed(self, seconds: float) -> Array:
        """Return what each row of weather adds in a step, worked out for all rows at once."""
        if seconds not in self._pushes:
            _, b = self.linear.steps(seconds)
            self._pushes[seconds] = self._weather @ b[:, :POWER].T + b[:, ONE]
        return self._pushes[seconds]

    def advance(self, seconds: float, heater_on: bool) -> None:
        """Let `seconds` [s] pass, under the weather that their beginning has."""
        a, b = self.linear.steps(seconds)
        power_w = self.linear.built.rated_w * heater_on
        self.state = a @ self.state + self._pushed(seconds)[self._row()]
        if heater_on:
            self.state += b[:, POWER] * power_w
        self.at_s += seconds
        self.energy_j += power_w * seconds
        self.true_c.append(float(self.linear.true_row @ self.state))

    def probes(self) -> dict[str, float]:
        """Return what the probes say, in sixteenths of a kelvin; light is without noise, on flat ground."""
        outside_c, _, sun_w_m2 = self._weather[self._row()]
        said = {"soil": self.state[SOIL_PROBE], "air": self.state[AIR_PROBE], "outside": outside_c}
        noise = self._draw.normal(0.0, self._noise_k, len(said))
        rounded = {
            name: round((float(value) + float(more)) / STEP_K) * STEP_K
            for (name, value), more in zip(said.items(), noise, strict=True)
        }
        return {**rounded, "light": float(sun_w_m2)} if self._light else rounded
