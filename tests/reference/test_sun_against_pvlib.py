"""Sun and clear sky against pvlib, on both sides of the equator and into the polar night."""

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from controller.plant.sun import clear_sky_ghi_w_m2, solar_position_at

PLACES = [
    pytest.param(0.0, 30.0, id="equator"),
    pytest.param(40.69, -74.17, id="newark"),
    pytest.param(46.2, 8.4, id="alps"),
    pytest.param(-36.9, 174.8, id="auckland"),
    pytest.param(-54.8, -68.3, id="ushuaia"),
    pytest.param(69.6, 18.9, id="tromsoe"),
    pytest.param(-77.8, 166.7, id="ross-island"),
]
YEARS = (2026, 2028)
"""A plain year and a leap year."""


def hours() -> list[datetime]:
    """Return every third hour of every eleventh day of those years."""
    return [
        datetime(year, 1, 1, tzinfo=UTC) + timedelta(days=day, hours=hour, minutes=17)
        for year in YEARS
        for day in range(0, 365, 11)
        for hour in range(0, 24, 3)
    ]


def positions(latitude: float, longitude: float) -> Any:
    """Return pvlib's table of NREL's algorithm, and its times."""
    import pandas as pd
    from pvlib.solarposition import spa_python

    return spa_python(pd.DatetimeIndex(hours()), latitude, longitude)


@pytest.mark.parametrize(("latitude", "longitude"), PLACES)
def test_the_sun_stands_within_0_3_degrees_of_the_published_algorithm(latitude: float, longitude: float) -> None:
    """Zenith without refraction: within 0.3 deg anywhere, at any hour, and 0.2 deg in the root of the mean square.

    Source: Reda and Andreas 2004, NREL/TP-560-34302 (uncertainty 0.0003 deg), by pvlib's `spa_python`; the
    bound is what a low-order series without a leap-year term can hold (engineering judgement).
    """
    wanted = positions(latitude, longitude).zenith.to_numpy()
    errors = [solar_position_at(round(t.timestamp() * 1000), latitude, longitude)[0] for t in hours()] - wanted
    assert abs(errors).max() < 0.3
    assert (errors**2).mean() ** 0.5 < 0.2


@pytest.mark.parametrize(("latitude", "longitude"), PLACES)
def test_the_sun_stands_in_the_right_quarter_of_the_sky(latitude: float, longitude: float) -> None:
    """Azimuth, taken as an arc on the sky (difference times sine of zenith): within 0.3 deg while the sun is up.

    Source: Reda and Andreas 2004, NREL/TP-560-34302, by pvlib's `spa_python`; the bound as above.
    """
    import math

    table = positions(latitude, longitude)
    for time, zenith, azimuth in zip(hours(), table.zenith, table.azimuth, strict=True):
        if zenith < 90.0:
            _, ours = solar_position_at(round(time.timestamp() * 1000), latitude, longitude)
            turn = (ours - azimuth + 180.0) % 360.0 - 180.0
            assert abs(turn) * math.sin(math.radians(zenith)) < 0.3, time


def test_the_clear_sky_is_the_published_formula_at_every_height() -> None:
    """Every degree of zenith from 0 to 120: within 0.001 W/m2 of pvlib's, and nothing below the horizon.

    Source: Haurwitz 1945, J. Met. 2, by pvlib's `clearsky.haurwitz`.
    """
    import pandas as pd
    from pvlib.clearsky import haurwitz

    degrees = [float(zenith) for zenith in range(121)]
    wanted = haurwitz(pd.Series(degrees)).ghi.to_numpy()
    assert [clear_sky_ghi_w_m2(zenith) for zenith in degrees] == pytest.approx(wanted, abs=1e-3)
    assert max(clear_sky_ghi_w_m2(zenith) for zenith in degrees[90:]) == 0.0


@pytest.mark.parametrize(("latitude", "longitude", "month"), [(69.6, 18.9, 12), (-77.8, 166.7, 6)])
def test_the_polar_night_has_no_sun_at_all(latitude: float, longitude: float, month: int) -> None:
    """At the solstice the sun stays down all day at 69.6 north and 77.8 south, and half a year on it never sets.

    Source: Reda and Andreas 2004, NREL/TP-560-34302, by pvlib's `spa_python`.
    """
    import pandas as pd
    from pvlib.solarposition import spa_python

    for chosen, is_down in ((month, True), (18 - month, False)):
        day = [datetime(2026, chosen, 21, hour, tzinfo=UTC) for hour in range(24)]
        assert ((spa_python(pd.DatetimeIndex(day), latitude, longitude).zenith > 90.0) == is_down).all()
        zeniths = [solar_position_at(round(t.timestamp() * 1000), latitude, longitude)[0] for t in day]
        assert [clear_sky_ghi_w_m2(zenith) == 0.0 for zenith in zeniths] == [is_down] * 24
