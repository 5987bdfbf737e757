"""What the heater runs add up to: on time, cycles and energy per run, local hour or local day."""

import sqlite3
from bisect import bisect_right
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from itertools import pairwise
from typing import Literal, TypeVar
from zoneinfo import ZoneInfo

JOULES_PER_KWH = 3_600_000.0
"""[J/kWh] 1000 W for 3600 s (SI Brochure, 9th edition, table 8: 1 h = 3600 s)."""

HOUR_MS = 3_600_000
MOST_ROWS = 10_000
"""Rows one summary may have: a year of hours fits."""

By = Literal["run", "hour", "day"]
Row = TypeVar("Row")


@dataclass(frozen=True, slots=True)
class HeaterUse:
    """Heater use between two borders.

    Parameters
    ----------
    start_ms, end_ms
        [ms] UTC.
    on_s, longest_s
        [s] contact closed in all, and in the longest stretch, both inside the borders.
    cycles
        Runs that began inside the borders, so that days add up to the season.
    energy_kwh, energy_known
        [kWh] of the runs whose energy is known; a run across a border shares it by time. `energy_known` is false when a
        run inside the borders, unless it has just begun, has none recorded.
    """

    start_ms: int
    end_ms: int
    on_s: float
    cycles: int
    longest_s: float
    energy_kwh: float
    energy_known: bool


@dataclass(slots=True)
class _Tally:
    """One row in the making, in whole milliseconds so that nothing is lost by rounding."""

    start_ms: int
    end_ms: int
    on_ms: int = 0
    cycles: int = 0
    longest_ms: int = 0
    energy_j: float = 0.0
    known: bool = True

    def take(self, start_ms: int, end_ms: int, energy_j: float | None) -> None:
        """Take in the part of a run that lies inside the borders, and that part of its energy."""
        inside_ms = min(end_ms, self.end_ms) - max(start_ms, self.start_ms)
        began_here = self.start_ms <= start_ms < max(self.end_ms, self.start_ms + 1)
        if inside_ms <= 0 and not began_here:
            return
        self.on_ms += inside_ms
        self.longest_ms = max(self.longest_ms, inside_ms)
        self.cycles += began_here
        if energy_j is None:
            self.known = False
        else:
            self.energy_j += energy_j * (inside_ms / (end_ms - start_ms) if end_ms > start_ms else 1.0)

    def done(self) -> HeaterUse:
        """Return the finished row."""
        energy_kwh = self.energy_j / JOULES_PER_KWH
        on_s, longest_s = self.on_ms / 1000, self.longest_ms / 1000
        return HeaterUse(self.start_ms, self.end_ms, on_s, self.cycles, longest_s, energy_kwh, self.known)


# A run that has just begun, a minute ago at most, has used nothing yet as far as was told.
_RUNS = """SELECT start_ms, max(start_ms, coalesce(end_ms, :now)) AS stop_ms,
coalesce(energy_j, iif(end_ms IS NULL AND :now - start_ms < 60000, 0.0, NULL)) FROM heater_run
WHERE enclosure = :enclosure AND start_ms < :end AND (start_ms >= :start OR coalesce(end_ms, :now) > :start)
ORDER BY start_ms, id"""


def summary(
    connection: sqlite3.Connection, enclosure: str, start_ms: int, end_ms: int, by: By, zone: ZoneInfo, now_ms: int
) -> list[HeaterUse]:
    """Return heater use in [start_ms, end_ms), oldest first, one row per run, local hour or local day.

    Parameters
    ----------
    start_ms, end_ms
        [ms] UTC; runs and rows are clipped to them.
    zone
        Where midnight is: a day has 23 or 25 hours when the clocks change.
    now_ms
        [ms] UTC: where a run that is still open ends for now.

    Raises
    ------
    ValueError
        If the range is empty or would give more than 10 000 rows.
    """
    if end_ms <= start_ms:
        raise ValueError(f"end {end_ms} is not after start {start_ms}; swap them")
    found = connection.execute(_RUNS, {"enclosure": enclosure, "start": start_ms, "end": end_ms, "now": now_ms})
    if by == "run":
        return [_one_run(run, start_ms, end_ms) for run in _bounded(found)]
    borders = list(_bounded(_borders(start_ms, end_ms, by, zone)))
    tallies = [_Tally(low, high) for low, high in pairwise(borders)]
    for run_start_ms, run_end_ms, energy_j in found:
        first = max(bisect_right(borders, run_start_ms) - 1, 0)
        last = max(bisect_right(borders, run_end_ms), first + 1)
        for tally in tallies[first:last]:
            tally.take(run_start_ms, run_end_ms, energy_j)
    return [tally.done() for tally in tallies]


def _one_run(run: tuple[int, int, float | None], start_ms: int, end_ms: int) -> HeaterUse:
    low, high = max(run[0], start_ms), min(run[1], end_ms)
    tally = _Tally(low, high)
    tally.take(*run)
    tally.cycles = 1
    return tally.done()


def _bounded(rows: Iterable[Row]) -> Iterator[Row]:
    for number, row in enumerate(rows):
        if number > MOST_ROWS:
            raise ValueError(f"more than {MOST_ROWS} rows; ask for a shorter time, or by day")
        yield row


def _borders(start_ms: int, end_ms: int, by: By, zone: ZoneInfo) -> Iterator[int]:
    """Yield start_ms, each local midnight or full hour after it, and end_ms."""
    yield start_ms
    day = datetime.fromtimestamp(start_ms / 1000, zone).date()
    while (midnight_ms := _midnight_ms(day, zone)) < end_ms:
        day += timedelta(days=1)
        # Hours are counted from midnight in elapsed time, so the hour that comes twice in autumn is two rows.
        step_ms = HOUR_MS if by == "hour" else _midnight_ms(day, zone) - midnight_ms
        for border_ms in range(midnight_ms, _midnight_ms(day, zone), step_ms):
            if start_ms < border_ms < end_ms:
                yield border_ms
    yield end_ms


def _midnight_ms(day: date, zone: ZoneInfo) -> int:
    return round(datetime(day.year, day.month, day.day, tzinfo=zone).timestamp() * 1000)
