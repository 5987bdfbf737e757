"""What an enclosure loses, and the heat that holds its soil: by a cable in the soil, and through the air.

Notes
-----
The balance at rest (`api.season.balance`): as if a clear night lasted for days. Nothing is kept back for heating up.
"""

from dataclasses import dataclass, replace

import numpy as np

from api.season.balance import AIR, WATTS, Array, Balance, balance_of
from controller.control.model_of import DEEP_C
from controller.errors import SoilwardError
from controller.plant.construction import (
    SECOND_LAYER_SAVES,
    SINGLE_W_M2K,
    Construction,
    HeaterKind,
    cover_loss_w,
    infiltration_w,
)
from controller.units import percent

CONTINUOUS = 0.8
"""Part of a breaker's rating that a load of three hours and more may take. Source: NEC 210.19(A), 210.20(A): 125 %."""
LOW_VOLTS = 150.0
"""[V] Below it breakers come in the sizes of 120 V circuits (common practice)."""
LOW_BREAKERS_A, BREAKERS_A = (15.0, 20.0, 30.0), (10.0, 13.0, 16.0, 20.0, 32.0)
"""[A] usual breakers and fuses below and above that (common practice)."""
LEAST_CABLE_W_M2, MOST_CABLE_W_M2 = 80.0, 160.0
"""[W/m2] of bed that nursery tables and extension handbooks lay as soil cable (7-15 W/ft2; partly from memory)."""
CLEAR_SKY_W_M2 = 90.0
"""[W/m2] by which ground as warm as the air outside radiates more to a clear sky than it gets back: 88-92 from -20 to
10 Cel at an emissivity of 0.95. The soil loses what the cover lets through of it, the cover the rest. Source: Swinbank
1963."""
SMALLER = 2.0 / 3.0
"""A tunnel a third lower or shorter, to show what size does."""
CABLE_STEP_M = 0.05
"""[m] that a cable is laid deeper and shallower, to show what depth does."""
FREEZING_C = 0.0
"""[Cel] at which ground stays until its water is frozen. Source: engineering judgement."""
COLDEST_SOUGHT_C = -90.0
"""[Cel] no night on earth was colder."""
CABLE_FROM_M, CABLE_TO_M = 0.03, 1.0
"""[m] as `Construction` takes them."""


class SizingError(SoilwardError):
    """What cannot be sized; says what, its value, the bound and the remedy."""


@dataclass(frozen=True, slots=True)
class Bed:
    """What is to be held: the soil of one construction at the depth of the roots [m], over ground at `deep_c` [Cel]."""

    built: Construction
    roots_m: float
    deep_c: float = DEEP_C


@dataclass(frozen=True, slots=True)
class Loss:
    """What an enclosure loses for each kelvin that its air is warmer than outside.

    Parameters
    ----------
    cover_m2, volume_m3
        [m2] of cover with its ends, and [m3] of air.
    cover_w_k, exchange_w_k
        [W/K] through the cover (U A), and carried out by air exchange.
    """

    cover_m2: float
    volume_m3: float
    cover_w_k: float
    exchange_w_k: float

    @property
    def whole_w_k(self) -> float:
        """[W/K] both together."""
        return self.cover_w_k + self.exchange_w_k


@dataclass(frozen=True, slots=True)
class Held:
    """What holds the soil in one weather: [W] of heat, and the air inside [Cel] that goes with it."""

    watts: float
    air_c: float


@dataclass(frozen=True, slots=True)
class Demand:
    """Heat that holds the soil of one bed with one kind of heater, whatever heater its construction has.

    Parameters
    ----------
    rest
        Every temperature per unit of each input, at rest, at the wind for which covers are quoted.
    """

    bed: Bed
    heater: HeaterKind
    balance: Balance
    rest: Array

    def held(self, soil_c: float, outside_c: float) -> Held:
        """Return heat and air for soil and outside [Cel] on a clear night.

        Raises
        ------
        SizingError
            If the outside is not colder than the soil, so that there is nothing to hold.
        """
        if not outside_c < soil_c:
            raise SizingError(
                f"coldest: {outside_c:g} Cel outside is not below the soil asked for, {soil_c:g} Cel; "
                "give a colder night or ask for warmer soil"
            )
        watts = self.watts(soil_c, outside_c)
        return Held(watts, float(self.rest[AIR] @ self._night(outside_c, watts)))

    def watts(self, soil_c: float, outside_c: float) -> float:
        """Return [W] for soil and outside [Cel] on a clear night; 0 where the soil is as warm without heat."""
        roots = self.balance.roots @ self.rest
        return float(max((soil_c - roots @ self._night(outside_c, 0.0)) / roots[WATTS], 0.0))

    def coldest_c(self, soil_c: float, watts: float) -> float | None:
        """Return the outside [Cel] of the clear night on which so many watts just hold the soil; None if on none."""
        coldest_c, warmest_c = COLDEST_SOUGHT_C, soil_c
        if self.watts(soil_c, warmest_c) >= watts:
            return None
        for _ in range(40):
            middle_c = (coldest_c + warmest_c) / 2.0
            coldest_c, warmest_c = (
                (middle_c, warmest_c) if self.watts(soil_c, middle_c) > watts else (coldest_c, middle_c)
            )
        return warmest_c

    def _night(self, outside_c: float, watts: float) -> Array:
        """Return the inputs of a clear night that lasts; ground that freezes beside the bed stays at 0 Cel for days."""
        beside_c = max(outside_c, FREEZING_C)
        return np.array([outside_c, beside_c, self.bed.deep_c, 0.0, CLEAR_SKY_W_M2, watts])


def loss_of(built: Construction) -> Loss:
    """Return what an enclosure loses. Source: Q = U A dT and air exchange (ANSI/ASAE EP406.4, form from memory)."""
    return Loss(
        built.cover_m2,
        built.volume_m3,
        cover_loss_w(built.film_u_w_m2k, built.cover_m2, 1.0),
        infiltration_w(built.air_changes_h, built.volume_m3, 1.0),
    )


def demand_of(bed: Bed, heater: HeaterKind) -> Demand:
    """Return the heat that holds the soil at the roots, whatever heater the construction has."""
    balance = balance_of(bed.built, heater, bed.roots_m)
    return Demand(bed, heater, balance, balance.at_rest())


@dataclass(frozen=True, slots=True)
class Circuit:
    """A breaker [A], the current it may carry for hours [A], and the heater that is [W]."""

    breaker_a: float
    continuous_a: float
    carries_w: float


def circuits(volts: float) -> tuple[Circuit, ...]:
    """Return the usual breakers at a voltage [V], each with what it may carry for hours: 80 %."""
    sizes_a = LOW_BREAKERS_A if volts < LOW_VOLTS else BREAKERS_A
    return tuple(Circuit(each, CONTINUOUS * each, CONTINUOUS * each * volts) for each in sizes_a)


@dataclass(frozen=True, slots=True)
class Change:
    """Something that could be built otherwise, and the bed it would make."""

    name: str
    note: str
    bed: Bed


def changes(bed: Bed, heater: HeaterKind) -> tuple[Change, ...]:
    """Return the bed with a second layer (where there is one only), smaller, and with its cable at other depths."""
    built, found = bed.built, []
    if built.film_u_w_m2k >= SINGLE_W_M2K:
        layered = replace(
            built,
            film_u_w_m2k=built.film_u_w_m2k * (1.0 - SECOND_LAYER_SAVES),
            longwave_transmission=built.longwave_transmission**2,
        )
        found.append(
            Change("a second layer", f"saves {percent(SECOND_LAYER_SAVES)} of the cover's loss", _with(bed, layered))
        )
    lower = replace(built, height_m=built.height_m * SMALLER)
    found.append(Change("a third lower", f"{lower.height_m:.2g} m high", _with(bed, lower)))
    shorter = replace(built, length_m=built.length_m * SMALLER)
    found.append(Change("a third shorter", f"{shorter.length_m:.2g} m long, a third less bed", _with(bed, shorter)))
    if heater is HeaterKind.SOIL_CABLE:
        for name, step_m in (("cable shallower", -CABLE_STEP_M), ("cable deeper", CABLE_STEP_M)):
            depth_m = built.cable_depth_m + step_m
            if CABLE_FROM_M <= depth_m <= CABLE_TO_M:
                moved = replace(built, cable_depth_m=depth_m)
                found.append(Change(name, f"at {depth_m * 100:.0f} cm", _with(bed, moved)))
    return tuple(found)


def _with(bed: Bed, built: Construction) -> Bed:
    return replace(bed, built=built)
