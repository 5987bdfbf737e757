"""Hours out of readings as they come, sums through a season, and stages expected from earlier years only."""

from datetime import UTC, date, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from numpy.typing import NDArray

from api.season.chill import ChillMethod, ChillState, chilling_hours, continued, utah_units
from api.season.daylength import day_length_h, hourly_c
from api.season.heat_units import Bounds, degree_hours, double_sine
from api.season.hours import HOUR_MS, Hours, WakingError, bridged, hours_of, midnight_ms
from api.season.waking import (
    CHILL_FROM,
    HEAT_FROM,
    METHODS,
    Course,
    Expected,
    NotExpected,
    Seen,
    course,
    expected,
    hours_of_days,
    season_start,
)

NEW_YORK = ZoneInfo("America/New_York")
FIRST_MS = midnight_ms(date(2026, 1, 1), UTC)


def at(*minutes: float) -> NDArray[np.int64]:
    """Return instants [ms UTC] so many minutes after the start of 2026."""
    return np.array([FIRST_MS + round(each * 60_000) for each in minutes], dtype=np.int64)


def steady(first: date, days: int, air_c: float, zone: ZoneInfo | None = None) -> Hours:
    """Return days of one temperature."""
    begin, end = (midnight_ms(first + timedelta(days=each), zone or UTC) for each in (0, days))
    values = np.full((end - begin) // HOUR_MS, air_c)
    return Hours(begin, values, values, values)


def year_of(year: int, air_c: float, days: int = 200) -> Course:
    """Return the degree days above 10 Cel of days all alike, from 1 January on."""
    first = date(year, 1, 1)
    return course("hours", steady(first, days, air_c), first, first + timedelta(days=days - 1), UTC)


def test_readings_become_hours_whatever_their_order() -> None:
    """Order does not matter, no number counts as no reading, of two at one time the first counts, and an hour without a
    reading is missing."""
    values = np.array([9.0, 1.0, np.nan, 3.0, 50.0, np.inf])
    found = hours_of(at(125, 0, 70, 30, 30, 80), values)
    assert found.first_ms == FIRST_MS
    assert found.mean_c.tolist() == pytest.approx([2.0, np.nan, 9.0], nan_ok=True)
    assert found.lowest_c.tolist() == pytest.approx([1.0, np.nan, 9.0], nan_ok=True)
    assert found.highest_c.tolist() == pytest.approx([3.0, np.nan, 9.0], nan_ok=True)


def test_a_burst_does_not_outweigh_a_quiet_spell() -> None:
    """Twenty readings within five minutes weigh as one later on in the hour."""
    burst = at(*(each / 10.0 for each in range(20)), 30)
    assert hours_of(burst, np.array([10.0] * 20 + [20.0])).mean_c.tolist() == [15.0]


def test_no_readings_are_no_hours() -> None:
    """Nothing, or nothing that is a number, gives a season in which every hour is missing."""
    for empty in (hours_of(at(), np.array([])), hours_of(at(1), np.array([np.nan]))):
        assert not len(empty.mean_c)
        found = course("utah", empty, date(2026, 1, 1), date(2026, 1, 2), UTC)
        assert found.totals.tolist() == [0.0, 0.0]
        assert found.hours_missing.tolist() == [24, 48]


@pytest.mark.parametrize("value", [-90.1, 85.1, 300.0])
def test_a_value_that_nothing_can_have_is_refused(value: float) -> None:
    """Just beyond the coldest and warmest, and a value in kelvin; the message says to look at the unit."""
    with pytest.raises(WakingError, match="look at its unit"):
        hours_of(at(0), np.array([value]))
    assert len(hours_of(at(0, 60), np.array([-90.0, 85.0])).mean_c) == 2


def test_as_many_times_as_values() -> None:
    """One time short is refused, and said."""
    with pytest.raises(WakingError, match="1 times and 2 temperatures"):
        hours_of(at(0), np.array([1.0, 2.0]))


def test_gaps_up_to_three_hours_are_bridged() -> None:
    """Three missing hours lie on a straight line, four stay missing, and so does what stands at an end."""
    gone = np.nan
    row = np.array([gone, 0.0, gone, gone, gone, 8.0, gone, gone, gone, gone, 3.0, gone])
    line = [gone, 0.0, 2.0, 4.0, 6.0, 8.0, gone, gone, gone, gone, 3.0, gone]
    assert bridged(row).tolist() == pytest.approx(line, nan_ok=True)
    assert np.isnan(bridged(np.full(3, gone))).all()


def test_missing_hours_count_nothing_in_any_method() -> None:
    """A long gap gives neither chill nor warmth, nor a table's warm end, and leaves the Dynamic model as it was."""
    gone = np.full(10, np.nan)
    for method in METHODS.values():
        if isinstance(method, ChillMethod):
            count = method.per_hour(gone)
        elif method.per_hour is not None:
            count = method.per_hour(gone, Bounds(4, 25, 36))
        else:
            assert method.per_day is not None
            count = method.per_day(gone, gone, gone, Bounds(4, 25))
        assert count.tolist() == [0.0] * 10, method.name
    assert continued(ChillState(0.5, 2.0), gone)[0] == ChillState(0.5, 2.0)
    assert utah_units(np.r_[5.0, gone, 5.0]).sum() == 2.0
    assert chilling_hours(np.r_[5.0, gone[:3], 5.0]).sum() == 5.0


@pytest.mark.parametrize("air_c", [-272.0, -120.0, 90.0, 5000.0])
def test_no_temperature_breaks_the_dynamic_model(air_c: float) -> None:
    """Far outside all weather the model stays finite and banks nothing, without a warning."""
    state, banked = continued(ChillState(0.9, 1.0), np.full(50, air_c))
    assert np.isfinite([state.intermediate, *banked]).all()
    assert state.portions == pytest.approx(1.0)


def test_a_day_is_a_day_of_the_time_zone_when_clocks_change() -> None:
    """In New York 8 March 2026 has 23 hours, 1 November 25; a day of 20 Cel gives 10 degree days by lowest and highest,
    and 23 or 25 hours' worth by hour."""
    for changed, hours in ((date(2026, 3, 8), 23), (date(2026, 11, 1), 25)):
        first, last = changed - timedelta(days=1), changed + timedelta(days=1)
        row = steady(first, 3, 20.0, NEW_YORK)
        by_day, by_hour = (course(name, row, first, last, NEW_YORK) for name in ("sine", "hours"))
        assert np.diff(by_day.totals).tolist() == pytest.approx([10.0, 10.0])
        assert np.diff(by_hour.totals).tolist() == pytest.approx([10.0 * hours / 24, 10.0])
        assert np.diff(by_hour.hours).tolist() == [hours, 24]
        assert by_hour.hours_missing.tolist() == [0, 0, 0]


def test_the_29th_of_february_is_a_day_like_any_other() -> None:
    """A season over it has one day more, and a sum on that date."""
    first, last = date(2028, 2, 28), date(2028, 3, 1)
    found = course("sine", steady(first, 3, 15.0), first, last, UTC)
    assert found.total_on(date(2028, 2, 29)) == pytest.approx(10.0)
    assert found.total_on(last) == pytest.approx(15.0)
    assert found.total_on(last + timedelta(days=1)) is None
    assert season_start(date(2028, 2, 29), HEAT_FROM, 50.0) == date(2028, 1, 1)


def test_days_by_lowest_and_highest_need_their_hours() -> None:
    """Three hours missing leave the day, four take it away whole; its extremes are those of readings, not of means."""
    first = date(2026, 5, 1)
    row = steady(first, 1, 15.0)
    high = np.full(24, 15.0)
    high[12] = 25.0
    for gone, expected_d, missing in ((3, 10.0, 0), (4, 0.0, 24)):
        mean = row.mean_c.copy()
        mean[3 : 3 + gone] = np.nan
        low = np.where(np.isnan(mean), np.nan, 15.0)
        found = course("mean", Hours(row.first_ms, mean, low, high), first, first, UTC)
        assert (float(found.totals[0]), int(found.hours_missing[0])) == (pytest.approx(expected_d), missing)


def test_seasons_in_the_south_begin_half_a_year_later() -> None:
    """Cold from 1 November or 1 May, warmth from 1 January or 1 July; the day before belongs to the season before."""
    assert season_start(date(2026, 10, 31), CHILL_FROM, 50.0) == date(2025, 11, 1)
    assert season_start(date(2026, 11, 1), CHILL_FROM, 50.0) == date(2026, 11, 1)
    assert season_start(date(2026, 4, 30), CHILL_FROM, -35.0) == date(2025, 5, 1)
    assert season_start(date(2026, 5, 1), CHILL_FROM, -35.0) == date(2026, 5, 1)
    assert season_start(date(2026, 6, 30), HEAT_FROM, -35.0) == date(2025, 7, 1)
    assert season_start(date(2026, 12, 31), HEAT_FROM, 50.0) == date(2026, 1, 1)


def test_days_are_long_in_december_in_the_south() -> None:
    """The southern midsummer day is as long as the northern one at the same latitude, within minutes; beyond
    the polar circle the sun stays up, or down."""
    south, north = (float(day_length_h(each, np.array([day]))[0]) for each, day in ((-50.0, 355.0), (50.0, 172.0)))
    assert south == pytest.approx(north, abs=0.05)
    assert south > 16.0
    assert day_length_h(80.0, np.array([172.0, 355.0])).tolist() == [24.0, 0.0]
    with pytest.raises(WakingError, match=r"latitude 90\.1"):
        day_length_h(90.1, np.array([1.0]))


def test_hours_from_daily_extremes_carry_gaps_and_refuse_nonsense() -> None:
    """A missing day leaves its own hours missing and its neighbours' days whole; exchanged columns and a sun that does
    not set are refused."""
    low, high = np.array([1.0, np.nan, 2.0]), np.array([9.0, np.nan, 8.0])
    row = hourly_c(low, high, np.array([100.0, 101.0, 102.0]), 45.0)
    assert np.isnan(row[24:48]).all()
    assert np.isfinite(row[[12, 60]]).all()
    with pytest.raises(WakingError, match="columns exchanged"):
        hourly_c(high, low, np.array([100.0, 101.0, 102.0]), 45.0)
    with pytest.raises(WakingError, match="does not rise and set"):
        hourly_c(low, high, np.array([170.0, 171.0, 172.0]), 70.0)


def test_a_stations_days_go_through_every_method() -> None:
    """From lowest and highest alone: the day methods take them as they are, the hour methods through made hours."""
    first, low, high = date(2027, 12, 30), np.full(70, 4.0), np.full(70, 16.0)
    hours = hours_of_days(first, low, high, 45.0)
    last = first + timedelta(days=69)
    totals = {name: course(name, hours, first, last, UTC).totals[-1] for name in METHODS}
    assert totals["cut"] == pytest.approx(70 * 3.0)
    assert totals["hours"] == pytest.approx(totals["sine"], rel=0.25)
    assert all(total > 0.0 for name, total in totals.items() if name not in ("utah", "mean"))
    assert totals["mean"] == 0.0


def test_methods_bounds_and_seasons_that_cannot_be_are_refused() -> None:
    """Unknown names list the known ones; bounds must rise; a curve needs its critical end; last comes after first."""
    row = steady(date(2026, 1, 1), 2, 5.0)
    with pytest.raises(WakingError, match="chill-portions"):
        course("portions", row, date(2026, 1, 1), date(2026, 1, 2), UTC)
    with pytest.raises(WakingError, match="has no day"):
        course("utah", row, date(2026, 1, 2), date(2026, 1, 1), UTC)
    for bounds in ((10.0, 10.0), (10.0, 9.0), (4.0, 25.0, 24.0), (np.nan, 30.0)):
        with pytest.raises(WakingError, match="each must be above"):
            Bounds(*bounds)
    with pytest.raises(WakingError, match="critical"):
        degree_hours(np.array([20.0]), Bounds(4.0, 25.0))
    with pytest.raises(WakingError, match="columns exchanged"):
        double_sine(np.array([20.0]), np.array([10.0]), np.array([9.0]), Bounds(4.0))


def test_a_stage_is_expected_where_this_years_sum_will_be() -> None:
    """Earlier years needed 100, 110 and 150: the median and both ends have their dates, by this year's sum so far and
    then by the mean rate of the years before."""
    years = [year_of(each, 15.0) for each in (2023, 2024, 2025)]
    seen = [Seen(one.start + timedelta(days=days - 1), one) for one, days in zip(years, (20, 22, 30), strict=True)]
    found = expected(seen, year_of(2026, 12.0, 10), years)
    assert isinstance(found, Expected)
    assert (found.needed, found.least, found.most, found.years) == pytest.approx((110.0, 100.0, 150.0, 3))
    assert found.on == date(2026, 1, 28), "20 by 10 January, then 5 a day: 110 after 18 more"
    assert (found.earliest, found.latest) == (date(2026, 1, 26), date(2026, 2, 5))


def test_a_sum_grows_as_it_did_at_that_time_of_earlier_years() -> None:
    """Two days of 1 and then 9 a day in the years before: from the second day on, 18 more take two days, not four."""
    first = date(2025, 1, 1)
    earlier = Course("hours", "Cel d", first, np.array([1.0, 2.0, 11.0, 20.0]), np.zeros(4, int), np.arange(24, 97, 24))
    this = Course("hours", "Cel d", date(2026, 1, 1), np.array([1.0, 2.0]), np.zeros(2, int), np.array([24, 48]))
    found = expected([Seen(date(2025, 1, 4), earlier)], this, [earlier])
    assert isinstance(found, Expected)
    assert found.on == date(2026, 1, 4)
    same = Course("hours", "Cel d", date(2026, 1, 1), np.array([20.0 - 4e-15]), np.zeros(1, int), np.array([24]))
    reached = expected([Seen(date(2025, 1, 4), earlier)], same, [earlier])
    assert isinstance(reached, Expected)
    assert reached.on == date(2026, 1, 1), "a sum short by rounding is reached"


def test_only_the_last_five_years_tell_how_a_sum_grows() -> None:
    """A sixth year, ten times as warm, changes no date."""
    years = [year_of(2020, 60.0), *(year_of(each, 15.0) for each in range(2021, 2026))]
    seen, this = [Seen(date(2025, 1, 30), years[-1])], year_of(2026, 12.0, 10)
    assert expected(seen, this, years) == expected(seen, this, years[1:])
    assert expected(seen, this, years[:5]) != expected(seen, this, years[1:5])


def test_a_stage_whose_sum_is_reached_has_the_date_it_was_reached() -> None:
    """A warm year is past the sum: the date lies behind, by this year's own sum."""
    earlier = year_of(2025, 12.0)
    found = expected([Seen(date(2025, 1, 10), earlier)], year_of(2026, 20.0, 30), [earlier])
    assert isinstance(found, Expected)
    assert found.on == date(2026, 1, 2)
    assert found.years == 1


def test_without_earlier_years_nothing_is_pretended() -> None:
    """No year, a year whose course does not hold the stage, a year with gaps, or gaps this year: a reason, no date; and
    no date where recent years never come so far."""
    this, earlier = year_of(2026, 12.0, 10), year_of(2025, 15.0)
    gone = np.full(24 * 10, np.nan)
    torn = steady(date(2025, 1, 1), 200, 15.0)
    torn = Hours(torn.first_ms, np.r_[gone, torn.mean_c[len(gone) :]], torn.lowest_c, torn.highest_c)
    holed = course("hours", torn, date(2025, 1, 1), date(2025, 7, 19), UTC)
    assert "no earlier year" in _reason(expected([], this, [earlier]))
    assert "every earlier year" in _reason(expected([Seen(date(2024, 1, 5), earlier)], this, [earlier]))
    assert "every earlier year" in _reason(expected([Seen(date(2025, 3, 1), holed)], this, [earlier]))
    assert isinstance(expected([Seen(date(2025, 7, 19), holed)], this, [earlier]), Expected), "10 of 200 days are 5 %"
    empty = course("hours", hours_of(at(), np.array([])), date(2026, 1, 1), date(2026, 1, 9), UTC)
    assert "this season" in _reason(expected([Seen(date(2025, 3, 1), earlier)], empty, [earlier]))
    far = expected([Seen(date(2025, 7, 19), earlier)], this, [year_of(2025, 10.5, 50)])
    assert isinstance(far, Expected)
    assert far.on is None
    assert isinstance(expected([Seen(date(2025, 3, 1), earlier)], this, []), Expected)


def test_sums_of_two_methods_are_not_set_against_each_other() -> None:
    """Chill of one year says nothing of the warmth of another."""
    first = date(2025, 1, 1)
    chill = course("utah", steady(first, 50, 5.0), first, date(2025, 2, 1), UTC)
    with pytest.raises(WakingError, match="count all years alike"):
        expected([Seen(date(2025, 1, 20), chill)], year_of(2026, 12.0, 10), [chill])


def _reason(found: Expected | NotExpected) -> str:
    assert isinstance(found, NotExpected)
    return found.reason
