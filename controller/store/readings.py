"""What a kept reading is, and what a series of them is made of."""

from dataclasses import dataclass
from typing import Any, NamedTuple

MINUTE_MS = 60_000
TEN_MS = 600_000
"""[ms] ten minutes."""
HOUR_MS = 3_600_000
MOST_POINTS = 1500
"""Buckets one series may have: more than a screen is wide, few enough to send in one answer."""
EXACT_MS = 26 * HOUR_MS
"""[ms] the longest range read reading by reading: a day, and the longest one when the clocks change."""


class StoredReading(NamedTuple):
    """One reading as it is kept.

    Parameters
    ----------
    enclosure, probe, quantity, unit
        The probe's names in settings, what it reports, and the unit `value` is in.
    taken_ms, arrived_ms
        [ms] UTC; a probe has at most one reading per `taken_ms`.
    grade
        How far it is believed: a `controller.status.Grade` word.
    """

    enclosure: str
    probe: str
    quantity: str
    unit: str
    value: float
    taken_ms: int
    arrived_ms: int
    grade: str


class Bucket(NamedTuple):
    """What one probe said from `start_ms` [ms UTC] until the next border: its extremes, mean and number of readings.

    A tuple, for a chart has fifteen hundred of them and is made in a moment.
    """

    start_ms: int
    least: float
    mean: float
    most: float
    count: int  # type: ignore[assignment]  # it hides tuple.count, which nobody needs here


@dataclass(frozen=True, slots=True)
class ProbeSeries:
    """One probe over time. `rows` holds only buckets with readings, so a gap stays a gap; `bucket_ms` [ms] each."""

    probe: str
    quantity: str
    unit: str
    bucket_ms: int
    rows: list[Bucket]

    def as_json(self) -> dict[str, Any]:
        """Return plain JSON types."""
        named = {"probe": self.probe, "quantity": self.quantity, "unit": self.unit, "bucket_ms": self.bucket_ms}
        return {**named, "rows": [row._asdict() for row in self.rows]}


@dataclass(frozen=True, slots=True)
class Borders:
    """Where the buckets of a series lie: from `first_ms` [ms UTC] on, `width_ms` [ms] each.

    They are whole `unit_ms` [ms], of which roll-ups may be read; 1 asks for the readings themselves.
    """

    first_ms: int
    width_ms: int
    unit_ms: int


def borders(start_ms: int, end_ms: int, points: int, least_ms: int = 1) -> Borders:
    """Return at most `points` buckets over [start_ms, end_ms) [ms UTC].

    Over a day or less they begin at `start_ms` and are as wide as they must be. Over more, buckets of a minute or more
    are whole minutes, those of ten minutes or of an hour or more whole ones of these, and begin on one: what is rolled
    up need not be cut. None is narrower than `least_ms` [ms], however short the time.

    Raises
    ------
    ValueError
        If `points` is out of range or the time range is empty.
    """
    if not 1 <= points <= MOST_POINTS:
        raise ValueError(f"points {points} is outside 1..{MOST_POINTS}; ask for fewer")
    if end_ms <= start_ms:
        raise ValueError(f"end {end_ms} is not after start {start_ms}; swap them")
    asked_ms = max(-(-(end_ms - start_ms) // points), least_ms)
    exact = end_ms - start_ms <= EXACT_MS and least_ms == 1
    unit_ms = 1 if exact else next((each for each in (HOUR_MS, TEN_MS, MINUTE_MS) if asked_ms >= each), 1)
    first_ms = start_ms - start_ms % unit_ms
    return Borders(first_ms, -(-(end_ms - first_ms) // (points * unit_ms)) * unit_ms, unit_ms)
