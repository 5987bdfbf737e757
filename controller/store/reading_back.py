"""What probes said, read back for people: a bounded series, means, hours."""

import sqlite3
from collections.abc import Sequence
from functools import partial

import numpy as np

from controller.store import rolled
from controller.store.connection import snapshot
from controller.store.readings import HOUR_MS, MINUTE_MS, TEN_MS, Borders, Bucket, ProbeSeries, borders
from controller.store.rolled import Rolled
from controller.store.stretch import EVER_MS, Stretches, ThriftyStretches


def series(
    connection: sqlite3.Connection,
    enclosure: str,
    probes: Sequence[str] | None,
    start_ms: int,
    end_ms: int,
    points: int,
) -> list[ProbeSeries]:
    """Return what the probes of an enclosure said in [start_ms, end_ms), in at most `points` buckets each.

    Parameters
    ----------
    probes
        Names, or None for all; a name never heard of is left out.
    start_ms, end_ms
        [ms] UTC; buckets lie as `readings.borders` says.
    points
        1..1500.

    Notes
    -----
    Exact, not sampled: extremes and means are of the readings within the range. Refused readings are left out. Where
    the readings themselves are too old to be kept, the range ends with whole minutes; where minutes are too, buckets
    are an hour or more, and it ends with whole hours.

    Raises
    ------
    ValueError
        If `points` is out of range or the time range is empty.
    """
    found = []
    usual = borders(start_ms, end_ms, points)
    with snapshot(connection):
        record = ThriftyStretches(connection)
        for probe, name, quantity, unit in connection.execute(_PROBES, (enclosure,)).fetchall():
            if probes is None or name in probes:
                lie = usual
                if usual.unit_ms < HOUR_MS and rolled.are_hours_alone(record, probe, start_ms, end_ms):
                    lie = borders(start_ms, end_ms, points, HOUR_MS)
                pieces = _pieces(record, probe, start_ms, end_ms, lie)
                rows = _rows(rolled.combined(pieces, lie.first_ms, lie.width_ms))
                found.append(ProbeSeries(name, quantity, unit, lie.width_ms, rows))
    return found


def _pieces(record: Stretches, probe: int, start_ms: int, end_ms: int, lie: Borders) -> Rolled:
    """Return whole minutes, tens or hours, and the readings in the part of one at either end; or the readings alone."""
    unit_ms = lie.unit_ms
    low_ms, high_ms = -(-start_ms // unit_ms) * unit_ms, end_ms // unit_ms * unit_ms
    if unit_ms < MINUTE_MS or low_ms > high_ms:
        return _ends(record, probe, start_ms, end_ms)
    whole = {MINUTE_MS: rolled.minutes, TEN_MS: rolled.tens, HOUR_MS: rolled.hours}[unit_ms]
    # Combined first, for it may be ten thousand pieces.
    inside = rolled.combined(whole(record, probe, low_ms, high_ms), lie.first_ms, lie.width_ms)
    return rolled.joined([_ends(record, probe, start_ms, low_ms), inside, _ends(record, probe, high_ms, end_ms)])


def _ends(record: Stretches, probe: int, start_ms: int, end_ms: int) -> Rolled:
    """Return the readings themselves, and the minutes of hours of which none are kept."""
    found = rolled.readings(record, probe, start_ms, end_ms)
    touched = -(-end_ms // HOUR_MS) - start_ms // HOUR_MS
    if start_ms >= end_ms or np.bincount(found.at_ms // HOUR_MS - start_ms // HOUR_MS, minlength=touched).all():
        return found
    minutes = rolled.closed_minutes(record, probe, start_ms, end_ms)
    bare = ~np.isin(minutes.at_ms - minutes.at_ms % HOUR_MS, record.hours(probe, start_ms, end_ms))
    return rolled.joined([found, minutes.at(bare)]) if bare.any() else found


def _rows(pieces: Rolled) -> list[Bucket]:
    # Rounding in the sum must not put a mean outside its own extremes.
    means = np.clip(pieces.total / pieces.count, pieces.least, pieces.most)
    fields = (pieces.at_ms, pieces.least, means, pieces.most, pieces.count)
    # As `Bucket._make` does, in half the time (measured).
    return list(map(partial(tuple.__new__, Bucket), zip(*(each.tolist() for each in fields), strict=True)))


def means(
    connection: sqlite3.Connection,
    enclosure: str,
    probe: str,
    start_ms: int,
    end_ms: int,
    width_ms: int = 10 * MINUTE_MS,
) -> list[tuple[int, float]]:
    """Return ([ms UTC] middle, mean) of what one probe said in whole stretches of `width_ms` within [start_ms, end_ms).

    Parameters
    ----------
    width_ms
        A whole number of minutes [ms]; stretches begin at multiples of it, and one without readings is left out.
    """
    with snapshot(connection):
        number = _number(connection, enclosure, probe)
        if number is None:
            return []
        found = rolled.combined(rolled.minutes(ThriftyStretches(connection), number, start_ms, end_ms), 0, width_ms)
    middles_ms = found.at_ms + width_ms // 2
    return list(zip(middles_ms.tolist(), (found.total / found.count).tolist(), strict=True))


def hours(
    connection: sqlite3.Connection, enclosure: str, probe: str, start_ms: int
) -> list[tuple[int, float, float, float]]:
    """Return (start [ms UTC], least, mean, most) of every hour of one probe from an instant on."""
    with snapshot(connection):
        number = _number(connection, enclosure, probe)
        if number is None:
            return []
        found = rolled.hours(ThriftyStretches(connection), number, start_ms, EVER_MS)
    fields = (found.at_ms, found.least, found.total / found.count, found.most)
    return list(zip(*(each.tolist() for each in fields), strict=True))


def _number(connection: sqlite3.Connection, enclosure: str, probe: str) -> int | None:
    found = connection.execute("SELECT id FROM probe WHERE enclosure = ? AND name = ?", (enclosure, probe)).fetchone()
    return None if found is None else int(found[0])


_PROBES = "SELECT id, name, quantity, unit FROM probe WHERE enclosure = ? ORDER BY name"
