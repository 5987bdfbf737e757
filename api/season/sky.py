"""Wind and cloud of the coming nights, where the forecast that was fed in tells them: does it radiate?"""

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import fmean
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from api.season.nights import Dark  # numpy only where nights are judged

SCHEMA = """
CREATE TABLE forecast_sky (
    at_ms INTEGER PRIMARY KEY CHECK (at_ms BETWEEN 0 AND 253402300799999),
    wind_m_s REAL CHECK (wind_m_s BETWEEN 0 AND 120),
    cloud REAL CHECK (cloud BETWEEN 0 AND 1)
) STRICT;
"""


@dataclass(frozen=True, slots=True)
class Sky:
    """Wind [m/s] and cloud, 0-1 of the sky, at one instant [ms UTC]; None is not told."""

    at_ms: int
    wind_m_s: float | None = None
    cloud: float | None = None


@dataclass(frozen=True, slots=True)
class NightSky:
    """A night's mean wind [m/s] and cloud, 0-1 of the sky; None is not told."""

    wind_m_s: float | None = None
    cloud: float | None = None


def put_sky(connection: sqlite3.Connection, told: Sequence[Sky]) -> None:
    """Replace what was told of wind and cloud."""
    connection.execute("DELETE FROM forecast_sky")
    connection.executemany(
        "INSERT INTO forecast_sky (at_ms, wind_m_s, cloud) VALUES (?, ?, ?)",
        [(each.at_ms, each.wind_m_s, each.cloud) for each in told],
    )


def sky_from(connection: sqlite3.Connection, start_ms: int) -> list[Sky]:
    """Return what is told from an instant [ms UTC] on, in order of time."""
    rows = connection.execute(
        "SELECT at_ms, wind_m_s, cloud FROM forecast_sky WHERE at_ms >= ? ORDER BY at_ms", (start_ms,)
    )
    return [Sky(*row) for row in rows]


def night_sky(told: Sequence[Sky], dark: "Dark") -> NightSky:
    """Return the means from sunset to sunrise of what is told."""
    within = [each for each in told if dark.sunset_ms <= each.at_ms <= dark.sunrise_ms]
    wind = [each.wind_m_s for each in within if each.wind_m_s is not None]
    cloud = [each.cloud for each in within if each.cloud is not None]
    return NightSky(fmean(wind) if wind else None, fmean(cloud) if cloud else None)
