"""What soil temperature is asked for now: dated set points with ramps, or a person's word."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, time
from functools import lru_cache
from typing import Literal
from zoneinfo import ZoneInfo

DAY_MS = 86_400_000


class ScheduleError(ValueError):
    """A start that is no date."""


@dataclass(frozen=True, slots=True)
class Start:
    """When an entry begins: every year (`year` None) or once; by the site's clock, unless `at` bears an offset."""

    year: int | None
    month: int
    day: int
    at: time


@dataclass(frozen=True, slots=True)
class Dated:
    """A set point [Cel] from an instant [ms UTC] on (None: heat off), reached over `ramp_s`."""

    from_ms: int
    set_point_c: float | None
    ramp_s: float


def starts_of(written: str | date | datetime) -> Start:
    """Read a TOML date, date-time, or yearly text such as "02-15".

    Raises
    ------
    ScheduleError
        With the remedy.
    """
    if isinstance(written, datetime):
        return Start(written.year, written.month, written.day, written.timetz())
    if isinstance(written, date):
        return Start(written.year, written.month, written.day, time())
    try:
        # A leap year lets 02-29 parse; other years fall back to 02-28.
        moment = datetime.strptime(f"2024-{written}", "%Y-%m-%d")  # noqa: DTZ007
    except ValueError as error:
        raise ScheduleError(
            f'{written!r} is no date; write 2026-02-15, or "02-15" for every year (quoted, the other not)'
        ) from error
    return Start(None, moment.month, moment.day, time())


def _instant_ms(start: Start, year: int, zone: ZoneInfo) -> int:
    day = 28 if (start.month, start.day) == (2, 29) and not _is_leap(year) else start.day
    at = datetime.combine(date(year, start.month, day), start.at, start.at.tzinfo or zone)
    return round(at.timestamp() * 1000)


def _is_leap(year: int) -> bool:
    return year % 4 == 0 and (year % 100 != 0 or year % 400 == 0)


def unroll(
    entries: Sequence[tuple[Start, float | Literal["off"], float]], zone: ZoneInfo, around_ms: int
) -> tuple[Dated, ...]:
    """Lay yearly entries out over the years round an instant, in order of time.

    Parameters
    ----------
    entries
        Start, set point [Cel] or "off", ramp [h].
    """
    year = (datetime.fromtimestamp(around_ms / 1000, zone)).year
    dated = []
    for start, set_point, ramp_h in entries:
        for each in range(year - 1, year + 2) if start.year is None else (start.year,):
            value = None if set_point == "off" else set_point
            dated.append(Dated(_instant_ms(start, each, zone), value, ramp_h * 3600))
    return tuple(sorted(dated, key=lambda item: item.from_ms))


def asked_c(dated: Sequence[Dated], at_ms: int) -> float | None:
    """Return the scheduled set point [Cel] at an instant, or None where no heat is asked for.

    A ramp runs straight from the set point before it; from "off" there is nothing to ramp from, so it steps.
    """
    before: float | None = None
    now: Dated | None = None
    for entry in dated:
        if entry.from_ms > at_ms:
            break
        before, now = (now.set_point_c if now else None), entry
    if now is None or now.set_point_c is None:
        return None
    elapsed_s = (at_ms - now.from_ms) / 1000
    if before is None or elapsed_s >= now.ramp_s:
        return now.set_point_c
    return before + (now.set_point_c - before) * elapsed_s / now.ramp_s


@dataclass(frozen=True, slots=True, eq=False)
class Schedule:
    """One enclosure's entries, each a start, a set point [Cel] or "off", and a ramp [h].

    It equals itself alone: what was laid out of it is found again without comparing entries at every tick.
    """

    entries: tuple[tuple[Start, float | Literal["off"], float], ...]
    zone: ZoneInfo

    def asked_c(self, at_ms: int) -> float | None:
        """Return the set point [Cel] at an instant [ms UTC], or None where no heat is asked for."""
        return asked_c(_laid_out(self, at_ms // DAY_MS), at_ms)


@lru_cache(maxsize=8192)  # once a day for every enclosure
def _laid_out(schedule: Schedule, day: int) -> tuple[Dated, ...]:
    return unroll(schedule.entries, schedule.zone, day * DAY_MS)


def toward(working_c: float | None, asked: float, start_c: float, ramp_k_per_h: float, elapsed_s: float) -> float:
    """Move the working set point towards the one asked for, no faster than the ramp, so that duty never jumps.

    Parameters
    ----------
    working_c
        [Cel] where it stands; None when control starts afresh, which starts from `start_c`, the soil as it is.
    """
    standing = min(start_c, asked) if working_c is None else working_c
    most = ramp_k_per_h * elapsed_s / 3600
    return standing + max(-most, min(most, asked - standing))
