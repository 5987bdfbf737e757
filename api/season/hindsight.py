"""What was expected in the evening, beside what the night then was."""

import math
import sqlite3
import statistics
from collections.abc import Sequence
from contextlib import closing
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from functools import lru_cache
from pathlib import Path
from zoneinfo import ZoneInfo

from api.state import State
from controller.control.foresight import Foresight
from controller.enclosure_settings import Enclosure
from controller.errors import StoreError
from controller.heater_log import unrecorded
from controller.probe import Quantity
from controller.store import plans, reading_back, use
from controller.store.connection import open_reader

EVENING, MORNING = time(18), time(8)
"""Local time at which the expectation is taken, and at which the night is over for it."""
NIGHTS = 14
"""Nights that the running error is taken over."""
HALF_HOUR_MS = 1_800_000


@dataclass(frozen=True, slots=True)
class Compared:
    """One quantity of one night: as expected in the evening, and as it was; None where it is not known."""

    expected: float | None
    was: float | None

    @property
    def miss(self) -> float | None:
        """What it was less what was expected."""
        return None if self.expected is None or self.was is None else self.was - self.expected


@dataclass(frozen=True, slots=True)
class PastNight:
    """One night, named by its evening: the coldest soil and outside [Cel] and the heat [kWh] from 18:00 to 08:00."""

    evening: date
    soil_c: Compared
    outside_c: Compared
    energy_kwh: Compared


@dataclass(frozen=True, slots=True)
class Error:
    """How far expectations were off: nights compared, mean miss (was less expected) and mean size of the miss."""

    nights: int
    mean: float
    size: float


def past_nights(state: State, enclosure: Enclosure) -> list[PastNight]:
    """Return the last nights that are over, newest first; those without any evening plan are left out.

    None where there is no record or no plan yet, or none that can be read.
    """
    now_ms = state.clock.now().utc_ms
    try:
        return list(_past(state.folder, enclosure, state.settings.site.zone, now_ms // HALF_HOUR_MS))
    except (StoreError, sqlite3.Error):
        return []


@lru_cache(maxsize=64)
def _past(folder: Path, enclosure: Enclosure, zone: ZoneInfo, turn: int) -> tuple[PastNight, ...]:
    """Gather them once in half an hour: what is over changes no more."""
    now_ms = (turn + 1) * HALF_HOUR_MS - 1
    today = datetime.fromtimestamp(now_ms / 1000, zone).date()
    found = []
    with closing(open_reader(folder / "plans.db")) as planned, closing(open_reader(folder / "readings.db")) as record:
        for back in range(1, NIGHTS + 1):
            evening = today - timedelta(days=back)
            start_ms = _at_ms(evening, EVENING, zone)
            end_ms = _at_ms(evening + timedelta(days=1), MORNING, zone)
            held = plans.plans_from(planned, enclosure.name, start_ms - 2 * HALF_HOUR_MS, start_ms)
            if not held or end_ms > now_ms:
                continue
            soil_c, outside_c, kwh = _expected(held[-1], start_ms, end_ms, enclosure.heater.rated_w)
            was = [_coldest(record, enclosure, each, start_ms, end_ms) for each in (Quantity.SOIL, Quantity.OUTSIDE)]
            used = use.summary(record, enclosure.name, start_ms, end_ms, "run", zone, now_ms)
            known = not unrecorded(enclosure) and all(each.energy_known for each in used)
            used_kwh = sum(each.energy_kwh for each in used) if known else None
            found.append(
                PastNight(evening, Compared(soil_c, was[0]), Compared(outside_c, was[1]), Compared(kwh, used_kwh))
            )
    return tuple(found)


def error_of(compared: Sequence[Compared]) -> Error | None:
    """Return the running error, or None where no night can be compared."""
    misses = [each.miss for each in compared if each.miss is not None]
    if not misses:
        return None
    return Error(len(misses), statistics.fmean(misses), statistics.fmean(map(abs, misses)))


def _at_ms(day: date, at: time, zone: ZoneInfo) -> int:
    return round(datetime.combine(day, at, zone).timestamp() * 1000)


def _expected(plan: Foresight, start_ms: int, end_ms: int, rated_w: float) -> tuple[float, float | None, float]:
    """Return the plan's coldest soil and outside [Cel] and heat [kWh] between two instants."""
    step_ms = round(1000 * plan.step_s)
    first = max((start_ms - plan.starts_ms) // step_ms, 0)
    steps = range(first, min(math.ceil((end_ms - plan.starts_ms) / step_ms), len(plan.duty)))
    kwh = sum(plan.duty[step] for step in steps) * plan.step_s * rated_w / use.JOULES_PER_KWH
    outside_c = min((plan.outside_c[step] for step in steps if step < len(plan.outside_c)), default=None)
    return min(plan.soil_c[step + 1] for step in steps), outside_c, kwh


def _coldest(
    record: sqlite3.Connection, enclosure: Enclosure, quantity: Quantity, start_ms: int, end_ms: int
) -> float | None:
    """Return the coldest half hour [Cel] of the median of the probes of one quantity, or None without any reading."""
    names = [each.name for each in enclosure.of(quantity)]
    points = max((end_ms - start_ms) // HALF_HOUR_MS, 1)
    said: dict[int, list[float]] = {}
    for each in reading_back.series(record, enclosure.name, names, start_ms, end_ms, points):
        for row in each.rows:
            said.setdefault(row.start_ms, []).append(row.mean)
    return min((statistics.median(values) for values in said.values()), default=None)
