"""Days of a record: made of readings, filled from our own, and months with too many of them missing."""

from dataclasses import astuple
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from api.season.daily import Day, Milliseconds, RecordError, daily_of, extended, spikes, station_days

HOUR_MS = 3_600_000
NEW_YORK = ZoneInfo("America/New_York")


def hourly(begin: datetime, hours: int) -> Milliseconds:
    """Return times on the hour [ms UTC]."""
    return round(begin.timestamp() * 1000) + HOUR_MS * np.arange(hours, dtype=np.int64)


@pytest.mark.parametrize(("day", "hours"), [((2026, 3, 8), 23), ((2026, 11, 1), 25), ((2026, 4, 1), 24)])
def test_a_day_goes_from_midnight_to_midnight(day: tuple[int, int, int], hours: int) -> None:
    """23, 24 and 25 hours alike: its lowest and highest are its first and its last, and the next day begins after."""
    begin = datetime(*day, tzinfo=NEW_YORK)
    times_ms = hourly(begin, hours + 24)
    record = station_days("here", times_ms, 0.1 * np.arange(hours + 24.0), NEW_YORK)
    on = date(*day)
    assert astuple(record.days[on]) == (on, 0.0, pytest.approx(0.1 * (hours - 1)))
    assert record.tmin_c(on + timedelta(days=1)) == pytest.approx(0.1 * hours)


@pytest.mark.parametrize(("left_out", "known"), [(slice(5, 7), True), (slice(5, 8), False)])
def test_a_day_with_more_than_three_hours_without_a_reading_is_missing(left_out: slice, known: bool) -> None:
    """Two readings out of an hourly row make a gap of just three hours, three make four."""
    times_ms = np.delete(hourly(datetime(2026, 4, 1, tzinfo=UTC), 24), left_out)
    record = station_days("here", times_ms, np.ones(len(times_ms)), UTC)
    assert record.missing(*record.span) == ([] if known else [date(2026, 4, 1)])


def test_a_day_begun_late_or_broken_off_is_missing() -> None:
    """Readings from 04:00 to 20:00 the next day: neither day is whole."""
    times_ms = hourly(datetime(2026, 4, 1, 4, tzinfo=UTC), 41)
    assert station_days("here", times_ms, np.ones(41), UTC).missing(date(2026, 4, 1), date(2026, 4, 2)) == [
        date(2026, 4, 1),
        date(2026, 4, 2),
    ]


def test_no_reading_makes_an_empty_record_without_a_span() -> None:
    """It is said, not crashed upon."""
    record = station_days("here", np.empty(0, dtype=np.int64), np.empty(0), UTC)
    with pytest.raises(RecordError, match="here: the record has no day"):
        _ = record.span


@pytest.mark.parametrize(
    ("row", "found"),
    [
        ([10, 10, 3.9, 10, 10], [2]),
        ([10, 10, 4.0, 10, 10], []),
        ([10, 10, 10, 10, -10], [4]),
        ([-10, 10, 10, 10, 10], [0]),
        ([12, 12, 2, 2, 2, 12, 12, 12], []),
        ([30, 26, 16, 6, -4, -9], []),
        ([0, 40, 0, 40], []),
    ],
    ids=["beyond-6-K", "just-6-K", "last", "first", "three-of-eight", "steep", "too-few-to-tell"],
)
def test_a_spike_stands_alone(row: list[float], found: list[int]) -> None:
    """More than 6 K off the median of five; what lasts three readings or goes on is weather."""
    assert spikes(np.array(row, dtype=float)).nonzero()[0].tolist() == found


def test_our_own_readings_fill_a_stations_holes() -> None:
    """The station's day stands where it has one; where it is missing or has none yet, ours does."""
    days = [date(2026, 2, day) for day in (26, 27, 28)] + [date(2026, 3, 1)]
    station = daily_of("Newark", [Day(days[0], -1.0, 5.0), Day(days[1], None)])
    own = daily_of("our probe", [Day(days[1], -2.0), Day(days[3], 1.0), Day(days[0], -9.0)])
    both = extended(station, own)
    assert [both.tmin_c(on) for on in days] == [-1.0, -2.0, None, 1.0]
    assert (both.span, list(both.days)) == ((days[0], days[3]), [days[0], days[1], days[3]])
    assert both.place == "Newark, extended by our probe"


def test_a_date_that_is_there_twice_is_refused() -> None:
    """Nobody but the record's owner can tell which is true."""
    with pytest.raises(RecordError, match="here: 2026-03-01 is there twice; keep one"):
        daily_of("here", [Day(date(2026, 3, 1), 1.0), Day(date(2026, 3, 1), 2.0)])
