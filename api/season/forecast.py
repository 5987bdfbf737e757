"""A forecast as a SenML pack with future times: outside temperature and, if known, light, wind and cloud."""

from dataclasses import dataclass, field

from api.season.sky import Sky
from controller.control.outlook import Expectation
from controller.errors import SoilwardError
from controller.units import ZERO_CELSIUS_K
from controller.wire.payload import strict_json
from controller.wire.refused import PayloadError
from controller.wire.senml import Record, resolve

LARGEST = 65_536
"""[byte] ten days of hours of two quantities, twice over. Source: engineering judgement."""
COLDEST_C, WARMEST_C = -90.0, 60.0
"""[Cel] no place on earth was ever colder or warmer (WMO extremes: -89.2 and 56.7)."""
BRIGHTEST_W_M2 = 1500.0
WINDIEST_M_S = 120.0
"""[m/s] no gust on the ground was ever faster (WMO extreme: 113)."""
OLDEST_MS = 3 * 3_600_000
FURTHEST_MS = 16 * 86_400_000
"""[ms] no forecast reaches further than about a fortnight."""


class ForecastError(SoilwardError):
    """A forecast that cannot be taken; says which record, what, and the remedy. Nothing of it is kept."""


@dataclass(frozen=True, slots=True)
class Told:
    """What a pack tells: outside and light by the hour for whoever plans, wind and cloud for whoever looks at frost."""

    expected: list[Expectation]
    sky: list[Sky]


@dataclass(slots=True)
class _Values:
    """Values by time [ms UTC], one table for each name."""

    outside: dict[int, float] = field(default_factory=dict)
    light: dict[int, float] = field(default_factory=dict)
    wind: dict[int, float] = field(default_factory=dict)
    cloud: dict[int, float] = field(default_factory=dict)


def forecast_of(body: bytes, now_ms: int) -> Told:
    """Read a pack whose records are named `outside` (Cel or K), `light` (W/m2), `wind` (m/s) and `cloud` (% or /, of
    the sky); the last part of a name counts alone.

    Raises
    ------
    ForecastError
        If it is no such pack, a value is beyond its bounds, or a time is not ahead.
    """
    if len(body) > LARGEST:
        raise ForecastError(f"the forecast has {len(body)} bytes, at most {LARGEST} are taken; send fewer hours")
    try:
        records = resolve(strict_json(body.decode("utf-8")), now_ms)
    except (PayloadError, UnicodeDecodeError) as error:
        raise ForecastError(f"not a SenML pack: {error}") from error
    found = _Values()
    for record in records:
        _take(record, now_ms, found)
    if not found.outside:
        raise ForecastError("no record named 'outside' in the forecast; its unit is Cel or K")
    if max(found.outside) < now_ms:
        raise ForecastError("no hour of it is ahead; send the hours to come")
    unpaired = sorted(found.light.keys() - found.outside.keys())
    if unpaired:
        raise ForecastError(f"light at {unpaired[0]} ms has no outside temperature beside it; send both for each time")
    expected = [Expectation(at_ms, found.outside[at_ms], found.light.get(at_ms)) for at_ms in sorted(found.outside)]
    sky = [Sky(at_ms, found.wind.get(at_ms), found.cloud.get(at_ms)) for at_ms in sorted({*found.wind, *found.cloud})]
    return Told(expected, sky)


def _take(record: Record, now_ms: int, found: _Values) -> None:
    kind = record.name.rpartition("/")[2].rpartition(":")[2]
    at_ms = round(record.time_s * 1000)
    if not record.stamped or not now_ms - OLDEST_MS <= at_ms <= now_ms + FURTHEST_MS:
        raise ForecastError(f"record {record.name!r}: its time is not ahead; give each hour's own, up to 16 days on")
    if not record.explicit or record.value is None:
        raise ForecastError(f"record {record.name!r} has no value; send a number as v")
    if kind == "outside":
        found.outside[at_ms] = _within(record, _celsius(record), COLDEST_C, WARMEST_C)
    elif kind == "light":
        found.light[at_ms] = _measured(record, "W/m2", BRIGHTEST_W_M2)
    elif kind == "wind":
        found.wind[at_ms] = _measured(record, "m/s", WINDIEST_M_S)
    elif kind == "cloud":
        found.cloud[at_ms] = (
            _measured(record, "/", 1.0) if record.unit == "/" else _measured(record, "%", 100.0) / 100.0
        )
    else:
        raise ForecastError(f"record {record.name!r} is none of outside, light, wind, cloud; leave it out")


def _measured(record: Record, unit: str, most: float) -> float:
    if record.value is None or record.unit != unit:
        raise ForecastError(f"record {record.name!r}: unit {record.unit!r} is not {unit}")
    return _within(record, record.value, 0.0, most)


def _celsius(record: Record) -> float:
    if record.value is None or record.unit not in ("Cel", "K"):
        raise ForecastError(f"record {record.name!r}: unit {record.unit!r} is neither Cel nor K")
    return record.value - ZERO_CELSIUS_K if record.unit == "K" else record.value


def _within(record: Record, value: float, least: float, most: float) -> float:
    if not least <= value <= most:
        raise ForecastError(f"record {record.name!r}: {value:g} is outside {least:g} to {most:g}; look at its unit")
    return value
