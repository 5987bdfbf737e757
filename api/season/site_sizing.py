"""A sizing of one of the site's enclosures: what it loses, what holds it, and what its season takes on the record."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

from api.season.daily import RecordError
from api.season.site_days import site_days
from api.season.sizing import Change, Circuit, Demand, Held, Loss, changes, circuits, demand_of, loss_of
from api.season.sizing_asked import Asked
from api.season.sizing_season import Season, Used, counted, seasons, steady_season, used
from api.state import State
from controller.errors import StoreError
from controller.plant.construction import HeaterKind

ASSUMED_COLDEST_C = -5.0
"""[Cel] the night that is planned for where neither a person nor a record says one (assumption)."""


@dataclass(frozen=True, slots=True)
class Weather:
    """The days that a season is counted by: where they are from, or why there are none; `latitude` [deg] is theirs."""

    latitude: float
    record: str
    seasons: tuple[Season, ...]
    why_none: str


@dataclass(frozen=True, slots=True)
class ByHeater:
    """One kind of heater for the soil asked for: at the coldest night, and season by season."""

    demand: Demand
    held: Held
    used: tuple[Used, ...]
    mean_kwh: float | None


@dataclass(frozen=True, slots=True)
class Changed:
    """One change: the heat at the coldest night [W] and of a season [kWh] that it would make."""

    change: Change
    watts: float
    kwh: float | None


@dataclass(frozen=True, slots=True)
class Sized:
    """The whole answer; `coldest_by` says who named the coldest night: "asked", "record" or "assumption"."""

    asked: Asked
    coldest_c: float
    coldest_by: str
    loss: Loss
    heaters: Mapping[HeaterKind, ByHeater]
    changes: tuple[Changed, ...]
    circuits: tuple[Circuit, ...]
    weather: Weather

    @property
    def air_over_cable(self) -> float | None:
        """How many times a cable's heat an air heater needs for the same soil; None where neither needs any."""
        cable, air = (self.heaters[kind].held.watts for kind in (HeaterKind.SOIL_CABLE, HeaterKind.AIR_HEATER))
        return air / cable if cable > 0.0 else None


def sized(state: State, asked: Asked) -> Sized:
    """Return the sizing of what is asked.

    Raises
    ------
    SizingError
        If the coldest night is not colder than the soil asked for.
    """
    weather = _weather(state, asked)
    coldest_c, coldest_by = _coldest(asked, weather)
    heaters = {kind: _by_heater(asked, demand_of(asked.bed, kind), coldest_c, weather) for kind in HeaterKind}
    made = tuple(_changed(asked, each, coldest_c, weather) for each in changes(asked.bed, asked.heater))
    loss = loss_of(asked.bed.built)
    return Sized(asked, coldest_c, coldest_by, loss, heaters, made, circuits(asked.volts), weather)


def _weather(state: State, asked: Asked) -> Weather:
    latitude = state.settings.site.latitude
    if asked.mean_c is not None:
        return Weather(latitude, "the mean that was asked", (steady_season(asked.mean_c, asked.first, asked.last),), "")
    try:
        record = site_days(state)
    except (RecordError, StoreError) as fault:
        return Weather(latitude, "", (), str(fault))
    if record is None:
        return Weather(
            latitude, "", (), "no outside probe is on record yet, and settings name no weather station's record"
        )
    if not record.days:
        return Weather(latitude, record.place, (), f"{record.place} has no whole day on record yet")
    found = counted(seasons(record, asked.first, asked.last))
    why = "" if found else f"{record.place} has no day on record in that time of the year"
    return Weather(latitude, record.place, found, why)


def _coldest(asked: Asked, weather: Weather) -> tuple[float, str]:
    if asked.coldest_c is not None:
        return asked.coldest_c, "asked"
    if weather.seasons and asked.mean_c is None:
        return min(each.coldest_c for each in weather.seasons), "record"
    return ASSUMED_COLDEST_C, "assumption"


def _by_heater(asked: Asked, demand: Demand, coldest_c: float, weather: Weather) -> ByHeater:
    by_season = used(demand, asked.soil_c, weather.seasons, asked.rated_w, weather.latitude)
    kwh = sum(each.kwh for each in by_season) / len(by_season) if by_season else None
    return ByHeater(demand, demand.held(asked.soil_c, coldest_c), by_season, kwh)


def _changed(asked: Asked, change: Change, coldest_c: float, weather: Weather) -> Changed:
    found = _by_heater(replace(asked, bed=change.bed), demand_of(change.bed, asked.heater), coldest_c, weather)
    return Changed(change, found.held.watts, found.mean_kwh)
