"""Nights out of outside readings: what is read off them, and which nights cannot be told."""

from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest

from api.season.daily import Milliseconds, RecordError, Temperatures
from api.season.nights import dark_of, nights_of

HOUR_MS = 3_600_000
NEWARK = (40.69, -74.17)
AUCKLAND = (-36.9, 174.8)
TROMSOE = (69.6, 18.9)


def ms(*instant: int) -> int:
    """Return an instant given in UTC as [ms]."""
    return round(datetime(*instant, tzinfo=UTC).timestamp() * 1000)  # type: ignore[arg-type, misc]


BEGIN_MS = ms(2026, 4, 10, 17)
"""Noon at Newark; the sun sets there at 23:32 UTC and rises at 10:24, so the evening is 01:32, the morning 11:24."""

EVENING_MS = ms(2026, 4, 11, 1, 32)


def every_ten_minutes(hours: float = 24.0, begin_ms: int = BEGIN_MS) -> Milliseconds:
    """Return times every ten minutes from noon on."""
    return np.arange(begin_ms, begin_ms + round(hours * HOUR_MS) + 1, HOUR_MS // 6, dtype=np.int64)


def falling(times_ms: Milliseconds, begin_ms: int = BEGIN_MS) -> Temperatures:
    """Return air that cools by 1 K an hour from 20 Cel on for 18 hours, then warms by 5 K an hour."""
    hours = (times_ms - begin_ms) / HOUR_MS
    return np.where(hours <= 18.0, 20.0 - hours, 2.0 + 5.0 * (hours - 18.0))


@pytest.mark.parametrize(
    ("place", "on", "sunset", "sunrise"),
    [
        (NEWARK, date(2026, 3, 7), (2026, 3, 7, 22, 54, 45), (2026, 3, 8, 11, 19, 30)),
        (NEWARK, date(2026, 3, 8), (2026, 3, 8, 22, 55, 51), (2026, 3, 9, 11, 17, 54)),
        (AUCKLAND, date(2026, 7, 1), (2026, 7, 1, 5, 14, 41), (2026, 7, 1, 19, 34, 28)),
    ],
    ids=["before-the-clocks-change", "as-they-change", "southern-winter"],
)
def test_a_night_goes_from_sunset_to_the_next_sunrise(
    place: tuple[float, float], on: date, sunset: tuple[int, ...], sunrise: tuple[int, ...]
) -> None:
    """Within two minutes of NREL's algorithm, whatever the clocks do, and named by the day whose sun had set."""
    dark = dark_of(on, *place)
    assert dark is not None
    assert abs(dark.sunset_ms - ms(*sunset)) < 120_000
    assert abs(dark.sunrise_ms - ms(*sunrise)) < 120_000


@pytest.mark.parametrize("on", [date(2026, 6, 21), date(2026, 12, 21)], ids=["midnight-sun", "polar-night"])
def test_where_the_sun_does_not_set_or_rise_there_is_no_night(on: date) -> None:
    """Nothing is pretended in the far north, and readings from there give no night."""
    assert dark_of(on, *TROMSOE) is None
    times_ms = every_ten_minutes(48.0, ms(on.year, on.month, on.day, 0))
    found = nights_of(times_ms, np.zeros(len(times_ms)), None, *TROMSOE)
    assert (found.nights, found.left_out) == ([], [])


def test_a_night_shorter_than_two_hours_is_left_out() -> None:
    """In the north's late spring the evening of the rule would come after sunrise."""
    place = (65.5, 18.9)
    times_ms = every_ten_minutes(36.0, ms(2026, 6, 10, 6))
    found = nights_of(times_ms, np.zeros(len(times_ms)), None, *place)
    assert {each.reason for each in found.left_out} == {"shorter than two hours"}
    assert found.nights == []


def test_evening_and_minimum_are_read_off_the_readings() -> None:
    """The reading nearest to two hours after sunset, and the lowest from then to an hour after sunrise."""
    times_ms = every_ten_minutes()
    (night,) = nights_of(times_ms, falling(times_ms), None, *NEWARK).nights
    assert (night.on, night.dew_c) == (date(2026, 4, 10), None)
    assert night.t0_c == pytest.approx(20.0 - (EVENING_MS - BEGIN_MS) / HOUR_MS, abs=0.1)
    assert night.minimum_c == pytest.approx(2.0)


def test_cold_before_the_evening_is_no_minimum_of_the_night() -> None:
    """A shower at sunset does not count: the minimum begins at the evening's reading."""
    times_ms = every_ten_minutes()
    air_c = falling(times_ms)
    air_c[np.abs(times_ms - (EVENING_MS - HOUR_MS)) < HOUR_MS // 2] = -3.0
    (night,) = nights_of(times_ms, air_c, None, *NEWARK).nights
    assert night.minimum_c == pytest.approx(2.0)


@pytest.mark.parametrize("shuffled", [False, True], ids=["in-order", "shuffled-and-doubled"])
def test_order_and_duplicates_change_nothing(shuffled: bool) -> None:
    """Readings that came late or twice give the same night."""
    times_ms = every_ten_minutes()
    air_c = falling(times_ms)
    pick = np.arange(len(times_ms))
    if shuffled:
        pick = np.random.default_rng(1).permutation(np.concatenate([pick, pick[40:60]]))
    (night,) = nights_of(times_ms[pick], air_c[pick], None, *NEWARK).nights
    assert (night.t0_c, night.minimum_c) == pytest.approx((11.5, 2.0), abs=0.01)


@pytest.mark.parametrize(
    ("from_h", "to_h", "told"),
    [(11.05, 11.95, True), (11.05, 12.05, False), (7.9, 9.05, False), (18.1, 18.95, True), (17.35, 18.9, False)],
    ids=["an-hour", "ten-minutes-more", "no-evening", "around-the-end", "no-end"],
)
def test_a_night_with_a_hole_of_more_than_an_hour_is_left_out(from_h: float, to_h: float, told: bool) -> None:
    """Readings every ten minutes, less those between two hours after noon: told up to a gap of just an hour."""
    times_ms = every_ten_minutes()
    hours = (times_ms - BEGIN_MS) / HOUR_MS
    kept = times_ms[(hours < from_h) | (hours > to_h)]
    found = nights_of(kept, falling(kept), None, *NEWARK)
    assert (len(found.nights), len(found.left_out)) == ((1, 0) if told else (0, 1))
    assert all("h without a reading" in each.reason or "half an hour" in each.reason for each in found.left_out)


def test_a_spike_is_no_minimum() -> None:
    """One reading of -40 Cel in a night of 2 Cel and more, and a NaN: left out; two of five would be weather."""
    times_ms = every_ten_minutes()
    air_c = falling(times_ms)
    air_c[70], air_c[75] = -39.0, np.nan
    (night,) = nights_of(times_ms, air_c, None, *NEWARK).nights
    assert night.minimum_c == pytest.approx(2.0)


def test_a_front_is_weather() -> None:
    """Air that falls by 12 K within ten minutes and stays there is believed."""
    times_ms = every_ten_minutes()
    air_c = falling(times_ms)
    air_c[70:] -= 12.0
    (night,) = nights_of(times_ms, air_c, None, *NEWARK).nights
    assert night.minimum_c == pytest.approx(-10.0)


def test_the_dew_point_comes_from_the_humidity_nearest_to_the_evening() -> None:
    """A probe that gave humidity only now and then; half an hour off it still counts, and 104 % is full air."""
    times_ms = every_ten_minutes()
    humidity_pct = np.full(len(times_ms), np.nan)
    near = int(np.searchsorted(times_ms, EVENING_MS))
    humidity_pct[near + 2] = 104.0
    (night,) = nights_of(times_ms, falling(times_ms), humidity_pct, *NEWARK).nights
    assert night.dew_c == pytest.approx(night.t0_c)


@pytest.mark.parametrize(("offset", "value_pct"), [(4, 60.0), (0, 0.0), (0, -1.0), (0, 105.1), (0, np.nan)])
def test_without_a_humidity_there_is_no_dew_point(offset: int, value_pct: float) -> None:
    """More than half an hour off, or no humidity at all: the night is told without."""
    times_ms = every_ten_minutes()
    humidity_pct = np.full(len(times_ms), np.nan)
    humidity_pct[int(np.searchsorted(times_ms, EVENING_MS)) + offset] = value_pct
    (night,) = nights_of(times_ms, falling(times_ms), humidity_pct, *NEWARK).nights
    assert night.dew_c is None


def test_a_wrong_unit_is_refused() -> None:
    """Fahrenheit gives itself away; the words name value, bound and remedy."""
    times_ms = every_ten_minutes()
    with pytest.raises(
        RecordError, match=r"outside air: a temperature of 68 Cel at \d+ ms is outside -90 to 60 Cel; look at its unit"
    ):
        nights_of(times_ms, falling(times_ms) * 1.8 + 32.0, None, *NEWARK)


def test_arrays_that_do_not_match_are_refused() -> None:
    """One humidity and one temperature for each time."""
    times_ms = every_ten_minutes()
    with pytest.raises(RecordError, match="145 times and 144 humidities"):
        nights_of(times_ms, falling(times_ms), np.zeros(144), *NEWARK)
    with pytest.raises(RecordError, match="145 times and 144 temperatures"):
        nights_of(times_ms, falling(times_ms)[1:], None, *NEWARK)


@pytest.mark.parametrize(
    ("place", "begin_ms"),
    [(NEWARK, ms(2026, 3, 6, 17)), (NEWARK, ms(2026, 10, 30, 16)), (AUCKLAND, ms(2026, 4, 3, 0))],
    ids=["spring-forward", "fall-back", "southern-fall-back"],
)
def test_every_night_about_a_clock_change_is_there_once(place: tuple[float, float], begin_ms: int) -> None:
    """Four days from noon to noon about the change are four nights, named by four days in a row."""
    times_ms = every_ten_minutes(96.0, begin_ms)
    found = nights_of(times_ms, np.zeros(len(times_ms)), None, *place)
    first = datetime.fromtimestamp(begin_ms / 1000 + 12 * 3600 * (place is AUCKLAND), UTC).date()
    assert [night.on for night in found.nights] == [first + timedelta(days=count) for count in range(4)]
    assert found.left_out == []


def test_no_reading_is_no_night() -> None:
    """An outside probe that never spoke."""
    empty = np.empty(0)
    assert nights_of(np.empty(0, dtype=np.int64), empty, empty, *NEWARK).nights == []
