"""Day length, and hours made from a day's lowest and highest, against published output."""

import numpy as np
import pytest

from api.season.daylength import day_length_h, hourly_c, sunrise_and_sunset_h


def test_the_sun_rises_and_sets_as_published() -> None:
    """At 50.4 deg north on 15 January.

    Source: Spencer 1971, Search 2(5):172 (declination); published output of a program for it.
    """
    rise_h, set_h = sunrise_and_sunset_h(50.4, np.array([15.0]))
    found = [float(rise_h[0]), float(set_h[0]), float(day_length_h(50.4, np.array([15.0]))[0])]
    assert found == pytest.approx([7.766425, 16.23357, 8.467149], abs=1e-5)


def test_an_evening_falls_as_published() -> None:
    """Klein-Altendorf, 1 January 1998: 5.1 to 8.2 Cel, the next day 5.0 to 9.1 Cel; hours 19 to 23.

    Source: Linvill 1990, HortScience 25:14-16 (method); published output of a program for it.
    """
    found = hourly_c(np.array([5.1, 5.0]), np.array([8.2, 9.1]), np.array([1.0, 2.0]), 50.4)
    assert found[19:24].tolist() == pytest.approx([6.424223, 6.203183, 6.022917, 5.870701, 5.738969], abs=1e-5)


def test_a_day_touches_its_lowest_at_sunrise_and_its_highest_two_hours_after_noon() -> None:
    """Over alike days at the equator the lowest hour is the one about sunrise, the highest is 14 h; none lies outside.

    Source: Linvill 1990, HortScience 25:14-16.
    """
    found = hourly_c(np.full(3, 10.0), np.full(3, 20.0), np.array([80.0, 81.0, 82.0]), 0.0)[24:48]
    assert int(found.argmax()) == 14
    assert found.max() == pytest.approx(20.0, abs=1e-3)
    assert int(found.argmin()) == 6
    assert found.min() >= 10.0
