"""Where probes sit, and how they blur what they feel: lag, noise, and steps of 1/16 K."""

import math
import random
from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

from controller.plant.soil import SoilColumn
from controller.probe import TEMPERATURES, Quantity

STEPS_PER_K = 16.0
STEP_K = 1.0 / STEPS_PER_K
"""[K] resolution of a 12-bit DS18B20."""
HUMIDITY_NOISE_PCT = 0.3
LAG_S: dict[Quantity, float] = {
    Quantity.SOIL: 60.0,
    Quantity.AIR: 30.0,
    Quantity.OUTSIDE: 30.0,
    Quantity.HUMIDITY: 30.0,
    Quantity.HEATER_SURFACE: 20.0,
}
"""[s] time constants of a sheathed probe (engineering judgement); what is not named answers at once."""
_NOISES = 16_381
"""Length of the noise table: a prime, so that no number of probes falls into step with it."""


@dataclass(frozen=True, slots=True)
class Site:
    """What a probe feels and where: [m] above the soil, negative is depth; None where height means nothing."""

    quantity: Quantity
    height_m: float | None = None


class Felt(NamedTuple):
    """What there is to feel besides the soil: [Cel], [K] ridge over floor, [%RH], [W/m2] outside and inside, [A]."""

    air_c: float
    tilt_k: float
    outside_c: float
    humidity_pct: float
    surface_c: float
    light_w_m2: float
    light_inside_w_m2: float
    current_a: float


_FELT = {
    Quantity.OUTSIDE: Felt._fields.index("outside_c"),
    Quantity.HUMIDITY: Felt._fields.index("humidity_pct"),
    Quantity.HEATER_SURFACE: Felt._fields.index("surface_c"),
    Quantity.LIGHT: Felt._fields.index("light_w_m2"),
    Quantity.CURRENT: Felt._fields.index("current_a"),
}
"""Which of `Felt` a quantity is; light inside follows light outside."""


class ProbeBank:
    """All probes of one enclosure.

    Parameters
    ----------
    sites
        Probe name to site.
    column, ridge_m
        The soil they may be in, and [m] height of the ridge.
    noise_k, seed
        [K] standard deviation, and which noise.
    """

    def __init__(
        self, sites: Mapping[str, Site], column: SoilColumn, ridge_m: float, noise_k: float, seed: int
    ) -> None:
        self._sites = dict(sites)
        self._soil: list[tuple[str, int, int, float]] = []
        self._air: list[tuple[str, float]] = []
        self._column = column
        for name, site in self._sites.items():
            if site.quantity is Quantity.SOIL:
                self._soil.append((name, *column.place(-(site.height_m or 0.0))))
            elif site.quantity is Quantity.AIR:
                self._air.append((name, min(max((site.height_m or 0.0) / ridge_m, 0.0), 1.0) - 0.5))
        self._rest = [
            (n, s.quantity) for n, s in self._sites.items() if s.quantity in LAG_S and n not in self._located()
        ]
        self._blank = dict.fromkeys(self._sites, 0.0)
        self._sort()
        self._noise_k = noise_k
        draw = random.Random(seed)
        noise = [draw.gauss(0.0, 1.0) for _ in range(_NOISES)]
        # What a reading takes begins anywhere in the table and runs on at its beginning.
        self._noise = [*noise, *noise[: len(self._sites)]]
        self._next = 0
        self._seconds = -1.0
        self.lagged: dict[str, float] = {}

    def _located(self) -> set[str]:
        return {name for name, *_ in self._soil} | {name for name, _ in self._air}

    def _sort(self) -> None:
        """Sort probes by how they make a reading of what they feel; those with noise know their place in a stretch."""
        self._thermometers: list[tuple[str, int]] = []
        self._hygrometers: list[tuple[str, int]] = []
        self._contacts: list[str] = []
        self._plain: list[tuple[str, int]] = []
        self._takes = 0
        for name, site in self._sites.items():
            if site.quantity in TEMPERATURES or site.quantity is Quantity.HUMIDITY:
                noisy = self._hygrometers if site.quantity is Quantity.HUMIDITY else self._thermometers
                noisy.append((name, self._takes))
                self._takes += 1
            elif site.quantity is Quantity.CONTACT:
                self._contacts.append(name)
            else:
                inside = site.quantity is Quantity.LIGHT and site.height_m is not None
                self._plain.append((name, _FELT[site.quantity] + inside))

    def follow(self, seconds: float, felt: Felt) -> None:
        """Let every lagging probe creep for `seconds` [s] towards what it feels; the first call settles it at once."""
        if seconds != self._seconds:
            self._seconds = seconds
            creep = {q: 1.0 - math.exp(-seconds / lag_s) for q, lag_s in LAG_S.items()}
            self._in_soil, self._in_air = creep[Quantity.SOIL], creep[Quantity.AIR]
            self._creep = [(name, _FELT[quantity], creep[quantity]) for name, quantity in self._rest]
        lagged = self.lagged or self._settle(felt)
        celsius, share = self._column.celsius, self._in_soil
        for name, low, high, weight in self._soil:
            old = lagged[name]
            lagged[name] = old + share * (weight * celsius[low] + (1.0 - weight) * celsius[high] - old)
        air_c, tilt_k, share = felt.air_c, felt.tilt_k, self._in_air
        for name, place in self._air:
            old = lagged[name]
            lagged[name] = old + share * (air_c + place * tilt_k - old)
        for name, at, share in self._creep:
            old = lagged[name]
            lagged[name] = old + share * (felt[at] - old)

    def _settle(self, felt: Felt) -> dict[str, float]:
        celsius = self._column.celsius
        self.lagged = {n: w * celsius[low] + (1.0 - w) * celsius[high] for n, low, high, w in self._soil}
        self.lagged |= {name: felt.air_c + place * felt.tilt_k for name, place in self._air}
        self.lagged |= {name: felt[_FELT[quantity]] for name, quantity in self._rest}
        return self.lagged

    def read(self, felt: Felt) -> dict[str, float]:
        """Return one reading per probe; each reading uses up noise, so two readings differ."""
        readings, lagged, noise_k = self._blank.copy(), self.lagged, self._noise_k
        noise = self._noise[self._next : self._next + self._takes]
        for name, place in self._thermometers:
            readings[name] = round((lagged[name] + noise_k * noise[place]) * STEPS_PER_K) * STEP_K
        for name, place in self._hygrometers:
            raw = lagged[name] + HUMIDITY_NOISE_PCT * (noise[place] if noise_k else 0.0)
            readings[name] = min(max(raw, 0.0), 100.0)
        for name in self._contacts:
            readings[name] = 1.0 if felt.current_a > 0.0 else 0.0
        for name, at in self._plain:
            readings[name] = felt[at]
        self._next = (self._next + self._takes) % _NOISES
        return readings

    def state(self) -> dict[str, object]:
        """Return what a later `restore` needs, ready for JSON."""
        return {"lagged": dict(self.lagged), "next": self._next}

    def restore(self, lagged: Mapping[str, float], place: int) -> None:
        """Go back to a stored state."""
        self.lagged, self._next = dict(lagged), place
