"""Weather from a CSV file: one record a line, columns and their units named in the header."""

import csv
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from pathlib import Path

from controller.clock import rfc3339
from controller.errors import SoilwardError
from controller.plant.weather import HOUR_MS, HourlyWeather

TIME = "time"
LONGEST_BRIDGE_MS = 3 * HOUR_MS
"""[ms] over which a straight line still stands for weather: a front takes longer (engineering judgement)."""


@dataclass(frozen=True, slots=True)
class Column:
    """What a header name means: the quantity, what to add and multiply by to get its unit, and what it may be."""

    quantity: str
    low: float
    high: float
    times: float = 1.0
    plus: float = 0.0


COLUMNS = {
    "outside_c": Column("outside_c", -60.0, 60.0),
    "outside_f": Column("outside_c", -76.0, 140.0, 1 / 1.8, -32.0 / 1.8),
    "humidity_pct": Column("humidity_pct", 0.0, 100.0),
    "wind_m_s": Column("wind_m_s", 0.0, 60.0),
    "wind_km_h": Column("wind_m_s", 0.0, 216.0, 1 / 3.6),
    "wind_mph": Column("wind_m_s", 0.0, 134.0, 0.44704),
    "cloud": Column("cloud", 0.0, 1.0),
    "cloud_pct": Column("cloud", 0.0, 100.0, 0.01),
    "light_w_m2": Column("light_w_m2", 0.0, 1500.0),
}
"""By header name; the bounds are what weather does on Earth where things grow (engineering judgement)."""


@dataclass(frozen=True, slots=True)
class WeatherFile:
    """What a file held: the weather, its first and last time [ms UTC], and a sentence per bridged gap."""

    weather: HourlyWeather
    first_ms: int
    last_ms: int
    bridged: tuple[str, ...]


def read(path: Path, latitude: float, longitude: float) -> WeatherFile:
    """Return the weather of a file at a place [deg].

    Raises
    ------
    SoilwardError
        Naming file, line, column, value and remedy, if the file cannot be read or a value cannot be weather.
    """
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            rows = csv.reader(file)
            header = [name.strip() for name in next(rows, [])]
            _check_header(path, header)
            times_ms, lines, values = _records(path, header, rows)
    except OSError as error:
        raise SoilwardError(f"{path}: cannot be read ({error.strerror}); name a CSV file of weather") from error
    except (UnicodeDecodeError, csv.Error) as error:
        raise SoilwardError(f"{path}: is no CSV text in UTF-8 ({error}); save it as one") from error
    bridged: list[str] = []
    filled = {
        COLUMNS[name].quantity: _bridge(path, name, times_ms, lines, column, bridged) for name, column in values.items()
    }
    weather = HourlyWeather(times_ms, filled.pop("outside_c"), latitude=latitude, longitude=longitude, **filled)
    return WeatherFile(weather, times_ms[0], times_ms[-1], tuple(dict.fromkeys(bridged)))


def _check_header(path: Path, header: Sequence[str]) -> None:
    known = ", ".join([TIME, *COLUMNS])
    for place, name in enumerate(header, 1):
        if name != TIME and name not in COLUMNS:
            raise SoilwardError(f"{path}, line 1, column {place}: {name!r} is no column of weather; use {known}")
    taken = [COLUMNS[name].quantity if name in COLUMNS else name for name in header]
    for quantity in taken:
        if taken.count(quantity) > 1:
            raise SoilwardError(f"{path}, line 1: {quantity!r} is given by {taken.count(quantity)} columns; keep one")
    for needed in (TIME, "outside_c"):
        if needed not in taken:
            remedy = "; outside_f will do" if needed == "outside_c" else ""
            raise SoilwardError(f"{path}, line 1: has no column {needed!r}; add one{remedy}")


def _records(
    path: Path, header: Sequence[str], rows: Iterator[list[str]]
) -> tuple[list[int], list[int], dict[str, list[float]]]:
    times_ms: list[int] = []
    lines: list[int] = []
    values: dict[str, list[float]] = {name: [] for name in header if name != TIME}
    for line, row in enumerate(rows, 2):
        if not any(cell.strip() for cell in row):
            continue
        if len(row) != len(header):
            raise SoilwardError(f"{path}, line {line}: has {len(row)} values, the header {len(header)}; make them one")
        for name, cell in zip(header, (cell.strip() for cell in row), strict=True):
            where = f"{path}, line {line}, column {name!r}"
            if name == TIME:
                times_ms.append(_time_ms(where, cell, times_ms))
            else:
                values[name].append(_value(where, name, cell))
        lines.append(line)
    if not times_ms:
        raise SoilwardError(f"{path}: has a header and no records; add one line an hour")
    return times_ms, lines, values


def _time_ms(where: str, cell: str, before_ms: Sequence[int]) -> int:
    try:
        time = datetime.fromisoformat(cell)
    except ValueError as error:
        raise SoilwardError(f"{where}: {cell!r} is no time; write it as 2026-03-01T04:00:00Z") from error
    if time.tzinfo is None:
        raise SoilwardError(f"{where}: {cell!r} does not say its offset; end it with Z for UTC, or +01:00")
    at_ms = round(time.timestamp() * 1000)
    if before_ms and at_ms == before_ms[-1]:
        raise SoilwardError(f"{where}: {cell!r} is there twice; keep one record of each time")
    if before_ms and at_ms < before_ms[-1]:
        raise SoilwardError(f"{where}: {cell!r} is earlier than the record above it; sort the lines by time")
    return at_ms


def _value(where: str, name: str, cell: str) -> float:
    """Return a value in its quantity's unit; NaN stands for an empty cell until the gap is bridged."""
    if not cell:
        return math.nan
    column = COLUMNS[name]
    try:
        value = float(cell)
    except ValueError as error:
        raise SoilwardError(f"{where}: {cell!r} is no number; write one such as 4.5, or leave it empty") from error
    if not column.low <= value <= column.high:
        raise SoilwardError(f"{where}: {cell} is outside {column.low:g} to {column.high:g}; check its unit")
    return value * column.times + column.plus


def _bridge(
    path: Path, name: str, times_ms: Sequence[int], lines: Sequence[int], values: Sequence[float], bridged: list[str]
) -> list[float]:
    """Return the values with straight lines over what is empty, and say every gap over an hour."""
    known = [place for place, value in enumerate(values) if not math.isnan(value)]
    if not known or known[0] != 0 or known[-1] != len(values) - 1:
        line = lines[-1] if known and known[0] == 0 else lines[0]
        raise SoilwardError(f"{path}, line {line}, column {name!r}: the first and last value may not be empty; fill in")
    filled = list(values)
    for one, other in pairwise(known):
        span_ms = times_ms[other] - times_ms[one]
        gap = f"{span_ms / HOUR_MS:g} h without a value after {rfc3339(times_ms[one])}"
        if span_ms > LONGEST_BRIDGE_MS:
            where = f"{path}, line {lines[one]}, column {name!r}"
            raise SoilwardError(f"{where}: {gap}; at most 3 h can be bridged, so fill in or split the file")
        if span_ms > HOUR_MS:
            bridged.append(f"{name}: {gap}, bridged by a straight line")
        for place in range(one + 1, other):
            share = (times_ms[place] - times_ms[one]) / span_ms
            filled[place] = values[one] + (values[other] - values[one]) * share
    return filled
