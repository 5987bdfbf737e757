"""The site's own nights out of its outside readings: evening and minimum, or why a night cannot be told."""

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from api.season.daily import HOUR_MS, Milliseconds, RecordError, Temperatures, believed
from api.season.humidity import dew_point_c
from api.season.night import Night
from controller.plant.sun import solar_position_at

SET_DEG = 90.833
"""[deg] zenith of the sun's centre as its upper rim sets, with refraction. Source: NOAA solar calculator."""

EVENING_MS = 2 * HOUR_MS
"""[ms] after sunset. Source: Snyder and de Melo-Abreu 2005, FAO Series 10, vol. 1, ch. 5."""

NEAREST_MS = HOUR_MS // 2
"""[ms] the evening's reading may be off. Source: engineering judgement."""

MORNING_MS = HOUR_MS
"""[ms] after sunrise, by which the air has turned. Source: engineering judgement."""

LONGEST_GAP_MS = HOUR_MS
"""[ms] between readings of a night, or to its end: hourly stations just pass. Source: engineering judgement."""

OVER_FULL_PCT = 105.0
"""[%] up to which a probe in fog may read; it counts as 100. Source: engineering judgement."""

_STEPS = 26
"""Halvings of half a day down to a millisecond."""


@dataclass(frozen=True, slots=True)
class Dark:
    """From sunset to the next sunrise [ms UTC]; `on` is the day by the sun whose sun had set."""

    on: date
    sunset_ms: int
    sunrise_ms: int


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A night that cannot be told, and why."""

    on: date
    reason: str


@dataclass(frozen=True, slots=True)
class Found:
    """The nights told from a stretch of readings, and those left out."""

    nights: list[Night]
    left_out: list[LeftOut]


@lru_cache(maxsize=4096)
def dark_of(on: date, latitude: float, longitude: float) -> Dark | None:
    """Return a day's sunset and the sunrise after it, or None where the sun does not do both.

    Notes
    -----
    Counted from the sun's noon at that longitude [deg], so no clock change and no time zone comes in.
    """
    noon_ms = round(datetime(on.year, on.month, on.day, 12, tzinfo=UTC).timestamp() * 1000 - longitude / 15.0 * HOUR_MS)
    midnight_ms, next_ms = noon_ms + 12 * HOUR_MS, noon_ms + 24 * HOUR_MS
    if not (_up(noon_ms, latitude, longitude) and _up(next_ms, latitude, longitude)):
        return None
    if _up(midnight_ms, latitude, longitude):
        return None
    sunset_ms = _crossing_ms(noon_ms, midnight_ms, latitude, longitude)
    return Dark(on, sunset_ms, _crossing_ms(next_ms, midnight_ms, latitude, longitude))


def nights_of(
    times_ms: Milliseconds,
    outside_c: Temperatures,
    humidity_pct: Temperatures | None,
    latitude: float,
    longitude: float,
) -> Found:
    """Return every night that lies within the readings.

    Parameters
    ----------
    times_ms, outside_c
        [ms] UTC and [Cel], in any order, at any times.
    humidity_pct
        [%] over water beside each temperature, NaN where missing; or None.
    latitude, longitude
        [deg] north and east positive.

    Raises
    ------
    RecordError
        If a temperature is beyond anything air ever was, or the arrays differ in length.
    """
    if humidity_pct is not None and len(humidity_pct) != len(times_ms):
        raise RecordError(f"{len(times_ms)} times and {len(humidity_pct)} humidities; give NaN where there is none")
    moist_ms, moist_pct = _moist(times_ms, humidity_pct)
    times_ms, outside_c = believed(times_ms, outside_c)
    found = Found([], [])
    if not len(times_ms):
        return found
    for on in _days(int(times_ms[0]), int(times_ms[-1]), longitude):
        dark = dark_of(on, latitude, longitude)
        if dark is None or dark.sunset_ms < times_ms[0] or dark.sunrise_ms + MORNING_MS > times_ms[-1]:
            continue
        night = _night(dark, times_ms, outside_c)
        if isinstance(night, LeftOut):
            found.left_out.append(night)
        else:
            found.nights.append(_with_dew(night, dark.sunset_ms + EVENING_MS, moist_ms, moist_pct))
    return found


def _night(dark: Dark, times_ms: Milliseconds, outside_c: Temperatures) -> Night | LeftOut:
    evening_ms, end_ms = dark.sunset_ms + EVENING_MS, dark.sunrise_ms + MORNING_MS
    if evening_ms >= dark.sunrise_ms:
        return LeftOut(dark.on, "shorter than two hours")
    first = nearest(times_ms, evening_ms)
    if first is None:
        return LeftOut(dark.on, "no reading within half an hour of two hours after sunset")
    past = int(np.searchsorted(times_ms, end_ms, side="right"))
    gap_ms = int(np.diff(np.append(times_ms[first:past], end_ms)).max())
    if gap_ms > LONGEST_GAP_MS:
        return LeftOut(dark.on, f"{gap_ms / HOUR_MS:.1f} h without a reading, at most 1 h may be")
    return Night(dark.on, float(outside_c[first]), None, float(outside_c[first:past].min()))


def _with_dew(night: Night, evening_ms: int, moist_ms: Milliseconds, moist_pct: Temperatures) -> Night:
    place = nearest(moist_ms, evening_ms)
    if place is None:
        return night
    return Night(night.on, night.t0_c, dew_point_c(night.t0_c, float(moist_pct[place])), night.minimum_c)


def nearest(times_ms: Milliseconds, at_ms: int) -> int | None:
    """Return the place of the reading nearest to an instant, or None if none is within half an hour."""
    after = int(np.searchsorted(times_ms, at_ms))
    about = [place for place in (after - 1, after) if 0 <= place < len(times_ms)]
    if not about:
        return None
    best = min(about, key=lambda place: abs(int(times_ms[place]) - at_ms))
    return best if abs(int(times_ms[best]) - at_ms) <= NEAREST_MS else None


def _moist(times_ms: Milliseconds, humidity_pct: Temperatures | None) -> tuple[Milliseconds, Temperatures]:
    """Return the humidities that a probe can mean, in order of time; a few percent over full count as full."""
    if humidity_pct is None:
        return np.empty(0, dtype=np.int64), np.empty(0)
    sound: NDArray[np.bool_] = (humidity_pct > 0.0) & (humidity_pct <= OVER_FULL_PCT)
    order = np.argsort(times_ms[sound], kind="stable")
    return times_ms[sound][order], np.minimum(humidity_pct[sound][order], 100.0)


def _days(first_ms: int, last_ms: int, longitude: float) -> list[date]:
    shift_ms = longitude / 15.0 * HOUR_MS
    first, last = (datetime.fromtimestamp((at + shift_ms) / 1000.0, UTC).date() for at in (first_ms, last_ms))
    return [first + timedelta(days=count) for count in range((last - first).days + 1)]


def _up(at_ms: int, latitude: float, longitude: float) -> bool:
    return solar_position_at(at_ms, latitude, longitude)[0] < SET_DEG


def _crossing_ms(up_ms: int, down_ms: int, latitude: float, longitude: float) -> int:
    """Return when the sun sets or rises between an instant at which it is up and one at which it is down."""
    for _ in range(_STEPS):
        middle_ms = (up_ms + down_ms) // 2
        up_ms, down_ms = (middle_ms, down_ms) if _up(middle_ms, latitude, longitude) else (up_ms, middle_ms)
    return up_ms
