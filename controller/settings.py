"""The shape of `soilward.toml`: every key, its meaning and its bounds."""

from datetime import date, datetime
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo, available_timezones

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field

from controller.probe import TEMPERATURES, Quantity
from controller.safety import limits
from controller.units import temperature_c

NAME_PATTERN = r"^[a-z0-9][a-z0-9-]{0,31}$"


def _as_path(value: Any) -> Any:
    return Path(value) if isinstance(value, str) else value


def _known_zone(value: str) -> str:
    if value not in available_timezones():
        raise ValueError('is no IANA time zone; write one such as "Europe/Zurich"')
    return value


Temperature = Annotated[float, BeforeValidator(temperature_c)]
"""[Cel] a number, or text with its unit."""
Name = Annotated[str, Field(pattern=NAME_PATTERN)]
FilePath = Annotated[Path, BeforeValidator(_as_path)]
Zone = Annotated[str, AfterValidator(_known_zone)]


class Part(BaseModel):
    """Strict, closed and frozen: a misspelt key is an error, never a default."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True, allow_inf_nan=False)


class Site(Part):
    """Where this is and what electricity costs."""

    name: str = Field(min_length=1, max_length=60)
    time_zone: Zone
    latitude: float = Field(ge=-90, le=90)
    longitude: float = Field(ge=-180, le=180)
    altitude_m: float = Field(default=0.0, ge=-430, le=6000)
    price_per_kwh: float = Field(default=0.0, ge=0, le=100)
    currency: str = Field(default="EUR", min_length=1, max_length=8)

    @property
    def zone(self) -> ZoneInfo:
        """The time zone as an object."""
        return ZoneInfo(self.time_zone)


class Broker(Part):
    """How to reach the broker; `embedded` starts one on loopback."""

    kind: Literal["embedded", "external"] = "embedded"
    host: str = "127.0.0.1"
    port: int = Field(default=1883, ge=1, le=65535)
    protocol: Literal["5", "3.1.1"] = "5"
    username: str | None = None
    password_file: FilePath | None = None
    read_username: str | None = None
    read_password_file: FilePath | None = None
    ca_file: FilePath | None = None
    root: str = Field(default="soilward", pattern=r"^[A-Za-z0-9_-]+(/[A-Za-z0-9_-]+)*$")


class Store(Part):
    """Where the record is kept."""

    folder: FilePath = Path("soilward-data")
    journal_key_file: FilePath | None = None
    raw_days: int = Field(default=400, ge=30, le=36_500)
    minute_days: int = Field(default=1826, ge=90, le=36_500)
    rest_s: int = Field(default=20, ge=0, le=30)


class Web(Part):
    """Where the pages listen."""

    host: str = "127.0.0.1"
    port: int = Field(default=8460, ge=1, le=65535)
    secure_cookie: bool = False


class RemoteKind(StrEnum):
    """What keeps a copy of the record elsewhere. All take the same write call; reading back differs."""

    INFLUXDB_2 = "influxdb-2"
    INFLUXDB_3 = "influxdb-3"
    VICTORIA_METRICS = "victoria-metrics"


class Elsewhere(Part):
    """A store elsewhere, and the way in."""

    kind: Annotated[RemoteKind, Field(strict=False)]
    url: str = Field(pattern=r"^https?://[^\s/?#]+(/[^\s?#]*)?$")
    organisation: str = ""
    bucket: str = Field(default="soilward", pattern=r"^[A-Za-z0-9_.-]{1,120}$")
    token_file: FilePath | None = None


class Remote(Elsewhere):
    """The store that gets a copy of this site's record, under the name `site`; without it nothing leaves here."""

    site: Name


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
    plain_topic: str | None = None
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
    topic: str | None = Field(default=None, min_length=1, max_length=200, pattern=r"^[^#+\x00]+$")
    form: Literal["any", "senml", "number", "json"] = "any"
    pointer: str | None = Field(default=None, pattern=r"^(/.*)?$")
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

    starts: str | date | datetime = Field(alias="from")
    set_point: Temperature | Literal["off"]
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


FrostLimit = Annotated[Temperature, Field(ge=-40, le=10)]


class Frost(Part):
    """Air at the plant at or below which to act, in place of the defaults: by stage and place, and for leaves in the
    open in a clear, calm and dry night.
    """

    dormant_ground: FrostLimit | None = None
    dormant_container: FrostLimit | None = None
    dormant_cover: FrostLimit | None = None
    swelling_ground: FrostLimit | None = None
    swelling_container: FrostLimit | None = None
    swelling_cover: FrostLimit | None = None
    opening_ground: FrostLimit | None = None
    opening_container: FrostLimit | None = None
    opening_cover: FrostLimit | None = None
    leafed_ground: FrostLimit | None = None
    leafed_container: FrostLimit | None = None
    leafed_cover: FrostLimit | None = None
    leafed_clear: FrostLimit | None = None


class Season(Part):
    """How the season is counted, and where a weather station's daily record of many years is."""

    station_file: FilePath | None = None
    chill: Literal["chilling-hours", "chilling-hours-with-frost", "utah", "positive-utah", "chill-portions"] = (
        "chill-portions"
    )
    warmth: Literal[
        "mean",
        "cut",
        "sine",
        "double-sine",
        "triangle",
        "double-triangle",
        "hours",
        "degree-hours",
        "linear-degree-hours",
        "linear-degree-hours-none-above",
    ] = "hours"
    base: Temperature | None = Field(default=None, ge=-10, le=30)
    upper: Temperature | None = Field(default=None, ge=0, le=60)
    frost: Frost = Frost()


class Served(Part):
    """What any process that serves pages needs: where its own files are and where it listens."""

    store: Store = Store()
    web: Web = Web()


class Settings(Served):
    """The whole file."""

    site: Site
    broker: Broker = Broker()
    remote: Remote | None = None
    season: Season = Season()
    enclosure: tuple[Enclosure, ...] = Field(min_length=1, strict=False)

    def named(self, enclosure: str) -> Enclosure | None:
        """Return the enclosure of that name, or None."""
        return next((each for each in self.enclosure if each.name == enclosure), None)
