"""One `[[enclosure]]` of `soilward.toml`: shape, heater, control, limits, probes and schedule, with their bounds."""

from enum import StrEnum
from typing import Annotated, Literal

from pydantic import Field

from controller.probe import TEMPERATURES, Quantity
from controller.safety import limits
from controller.setting_kinds import (
    POINTER_PATTERN,
    TOPIC_PATTERN,
    FilePath,
    Name,
    Part,
    SetPoint,
    Start,
    Temperature,
)


class HeaterKind(StrEnum):
    """What makes the heat."""

    SOIL_CABLE = "soil-cable"
    AIR_HEATER = "air-heater"


class Heater(Part):
    """The heater and the relay in front of it."""

    kind: Annotated[HeaterKind, Field(strict=False)]
    rated_w: float = Field(gt=0, le=20_000)
    volts: float = Field(default=230.0, ge=12, le=480)
    depth_m: float | None = Field(default=None, ge=0.02, le=1.0)
    relay: Literal["node", "plain"] = "node"
    key_file: FilePath | None = None
    lease_s: float = Field(default=limits.LONGEST_LEASE_S, ge=6, le=limits.LONGEST_LEASE_S)
    plain_topic: str | None = Field(default=None, max_length=200, pattern=TOPIC_PATTERN)
    plain_on: str = "ON"
    plain_off: str = "OFF"
    independent_cut_off: str | None = None


class Control(Part):
    """Gains and timing of the soil loop; a missing gain takes the heater kind's own."""

    gain_per_k: float | None = Field(default=None, gt=0, le=20)
    integral_h: float | None = Field(default=None, ge=0.05, le=100)
    window_s: float = Field(default=1800.0, ge=120, le=3600)
    least_on_s: float = Field(default=limits.SHORTEST_ON_S, ge=limits.SHORTEST_ON_S, le=600)
    least_off_s: float = Field(default=limits.SHORTEST_OFF_S, ge=limits.SHORTEST_OFF_S, le=600)
    ramp_k_per_h: float = Field(default=2.0, gt=0, le=20)
    floor: Temperature = Field(default=5.0, ge=-5, le=limits.HIGHEST_SET_POINT_C)


class Limits(Part):
    """Limits of this enclosure; each may only be tighter than the constant it stands for."""

    soil_trip: Temperature = Field(default=limits.SOIL_TRIP_C, ge=5, le=limits.SOIL_TRIP_C)
    air_no_heat: Temperature = Field(default=limits.AIR_NO_HEAT_C, ge=5, le=limits.AIR_NO_HEAT_C)
    air_fire: Temperature = Field(default=limits.AIR_FIRE_C, ge=10, le=limits.AIR_FIRE_C)
    heater_surface: Temperature = Field(default=limits.HEATER_SURFACE_C, ge=10, le=limits.HEATER_SURFACE_C)
    proof_every_days: float = Field(default=limits.PROOF_EVERY_DAYS, ge=1, le=limits.PROOF_EVERY_DAYS)
    highest_set_point: Temperature = Field(default=limits.HIGHEST_SET_POINT_C, ge=0, le=limits.HIGHEST_SET_POINT_C)


class ProbeSettings(Part):
    """One probe: what it measures, where it sits, and what its messages look like."""

    name: Name
    quantity: Annotated[Quantity, Field(strict=False)]
    height_m: float | None = Field(default=None, ge=0, le=20)
    depth_m: float | None = Field(default=None, ge=0, le=3)
    topic: str | None = Field(default=None, min_length=1, max_length=200, pattern=TOPIC_PATTERN)
    form: Literal["any", "senml", "number", "json"] = "any"
    pointer: str | None = Field(default=None, pattern=POINTER_PATTERN)
    unit: str | None = None
    period_s: float = Field(default=10.0, ge=1, le=limits.SLOWEST_PERIOD_S)

    @property
    def level_m(self) -> float | None:
        """[m] height above ground, negative below it."""
        return -self.depth_m if self.depth_m is not None else self.height_m

    @property
    def stale_after_s(self) -> float:
        """[s] age at which a reading no longer counts: three periods and 5 s, at most 120 s."""
        return min(3 * self.period_s + 5, limits.STALE_CAP_S)


class ScheduleEntry(Part):
    """From this date on, this set point, reached over `ramp_h` hours from the one before."""

    starts: Start = Field(alias="from")
    set_point: SetPoint
    ramp_h: float = Field(default=0.0, ge=0, le=24 * 60)


class Shape(Part):
    """The enclosure's outline and materials, for the drawing and the physics."""

    kind: Literal["tunnel", "glasshouse", "store"] = "tunnel"
    length_m: float = Field(default=6.0, gt=0.2, le=200)
    width_m: float = Field(default=0.9, gt=0.2, le=50)
    height_m: float = Field(default=0.8, gt=0.2, le=15)
    cover: Literal["thin film", "film", "double film", "glass", "twin-wall", "opaque"] = "film"
    soil: Literal["sand", "loam", "clay", "peat"] = "loam"


class Enclosure(Part):
    """One heated place."""

    name: Name
    title: str | None = Field(default=None, max_length=60)
    shape: Shape = Shape()
    heater: Heater
    control: Control = Control()
    limits: Limits = Limits()
    probe: tuple[ProbeSettings, ...] = Field(min_length=1, strict=False)
    schedule: tuple[ScheduleEntry, ...] = Field(default=(), strict=False)

    def named(self, probe: str) -> ProbeSettings | None:
        """Return the probe of that name, or None."""
        return next((each for each in self.probe if each.name == probe), None)

    def of(self, quantity: Quantity) -> tuple[ProbeSettings, ...]:
        """Return this enclosure's probes of one quantity, in settings order."""
        return tuple(each for each in self.probe if each.quantity is quantity)

    @property
    def warmest_probes(self) -> tuple[ProbeSettings, ...]:
        """Every temperature probe inside the enclosure."""
        return tuple(p for p in self.probe if p.quantity in TEMPERATURES - {Quantity.OUTSIDE})
