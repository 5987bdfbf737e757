"""The whole of `soilward.toml`: the site, its broker, store, pages and copy, and the enclosures and season in it."""

from enum import StrEnum
from pathlib import Path
from typing import Annotated, Literal
from zoneinfo import ZoneInfo

from pydantic import Field

from controller.enclosure_settings import Enclosure
from controller.season_settings import Season
from controller.setting_kinds import BUCKET_PATTERN, ROOT_PATTERN, URL_PATTERN, FilePath, Host, Name, Part, Zone


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
    """How to reach the broker; `embedded` starts one on loopback. `controller` is our own name there."""

    kind: Literal["embedded", "external"] = "embedded"
    host: Host = Field(default="127.0.0.1", min_length=1)
    port: int = Field(default=1883, ge=1, le=65535)
    protocol: Literal["5", "3.1.1"] = "5"
    username: str | None = None
    password_file: FilePath | None = None
    read_username: str | None = None
    read_password_file: FilePath | None = None
    ca_file: FilePath | None = None
    root: str = Field(default="soilward", pattern=ROOT_PATTERN)
    controller: Name = "controller"

    @property
    def client_id(self) -> str:
        """Name of the controller's own session."""
        return f"soilward-{self.controller}"


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
    url: str = Field(pattern=URL_PATTERN)
    organisation: str = ""
    bucket: str = Field(default="soilward", pattern=BUCKET_PATTERN)
    token_file: FilePath | None = None


class Remote(Elsewhere):
    """The store that gets a copy of this site's record, under the name `site`; without it nothing leaves here."""

    site: Name


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
