"""Sun and sky of a day from its lowest and highest temperatures, against the worked examples of FAO paper 56."""

import numpy as np
import pytest

from api.season.day_sky import above_w_m2, sky_w_m2, sun_w_m2, through_the_day

W_M2 = 1e6 / 86_400.0
"""[W/m2] of one MJ/m2 a day."""


def one(value: float) -> np.ndarray:
    """Return a row of one."""
    return np.array([value])


def test_sun_above_the_air_at_twenty_south_in_september() -> None:
    """32.2 MJ/m2 on 3 September at 20 S.

    Source: FAO Irrigation and Drainage Paper 56 (1998), example 8.
    """
    assert above_w_m2(one(246.0), -20.0)[0] == pytest.approx(32.2 * W_M2, abs=0.05 * W_M2)


def test_sun_of_july_in_lyon_from_temperatures_alone() -> None:
    """22.3 MJ/m2 at 45.72 N in the middle of July, of 40.6 above the air, from 14.8 to 26.6 Cel.

    Source: FAO Irrigation and Drainage Paper 56 (1998), example 15.
    """
    above = above_w_m2(one(196.0), 45.72)
    assert above[0] == pytest.approx(40.6 * W_M2, rel=0.01)
    assert sun_w_m2(above, one(14.8), one(26.6))[0] == pytest.approx(22.3 * W_M2, rel=0.01)


def test_long_wave_lost_in_may_at_rio() -> None:
    """3.5 MJ/m2 at 14.5 of sun and 18.8 on a clear day, 19.1 to 25.1 Cel, vapour 2.1 kPa (dew point 18.3 Cel).

    Source: FAO Irrigation and Drainage Paper 56 (1998), example 11.
    """
    lost = sky_w_m2(one(18.8 / 0.75 * W_M2), one(14.5 * W_M2), one(18.3), one(22.1))
    assert lost[0] == pytest.approx(3.5 * W_M2, abs=0.1 * W_M2)


def test_no_day_is_brighter_than_a_clear_one() -> None:
    """However far apart lowest and highest lie: three quarters of the sun above the air; alike, none.

    Source: FAO Irrigation and Drainage Paper 56 (1998), equations 37 and 50.
    """
    assert sun_w_m2(one(400.0), one(-20.0), one(30.0))[0] == pytest.approx(300.0)
    assert sun_w_m2(one(400.0), one(5.0), one(5.0))[0] == 0.0


def test_a_day_is_shared_out_over_its_light_hours() -> None:
    """At the equinox twelve hours hold all of it, noon the most; in the polar night there is none.

    Source: geometry of the sun's height, FAO Irrigation and Drainage Paper 56 (1998), equation 25 (sunset).
    """
    hours = np.arange(24.0) + 0.5
    shares = through_the_day(np.array([81.0, 355.0]), 46.0, hours)
    assert shares.mean(axis=1) == pytest.approx([1.0, 1.0])
    assert (shares[0] > 0.01).sum() == 12
    assert (shares[1] > 0.01).sum() < 10
    assert shares[0].argmax() in (11, 12)
    assert not through_the_day(one(355.0), 80.0, hours).any()
