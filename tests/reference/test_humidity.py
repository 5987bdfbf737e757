"""Vapour pressure, dew point, frost point and wet bulb against published and independently computed figures."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from api.season.humidity import (
    dew_point_c,
    dew_point_of_c,
    frost_point_c,
    saturation_kpa,
    saturation_over_ice_hpa,
    saturation_over_water_hpa,
    wet_bulb_c,
)


@pytest.mark.parametrize(("air_c", "wanted_kpa"), [(15.0, 1.705), (24.5, 3.075)])
def test_saturation_is_faos(air_c: float, wanted_kpa: float) -> None:
    """To the printed digit.

    Source: Allen et al. 1998, FAO-56, example 3.
    """
    assert saturation_kpa(air_c) == pytest.approx(wanted_kpa, abs=5e-4)


@pytest.mark.parametrize(("air_c", "wanted_pa"), [(5.0, 872.6), (25.0, 3169.7)])
def test_saturation_over_water_is_ashraes(air_c: float, wanted_pa: float) -> None:
    """Within 0.35 %: the WMO's Magnus formula is 0.3 % low at 25 Cel (and gives a dew point 0.05 K off there).

    Source: ASHRAE Handbook of Fundamentals 2017, ch. 1, table 3.
    """
    assert 100.0 * saturation_over_water_hpa(air_c) == pytest.approx(wanted_pa, rel=3.5e-3)


@pytest.mark.parametrize(("air_c", "wanted_pa"), [(5.0, 872.6), (25.0, 3169.7)])
def test_saturation_by_the_fao_is_ashraes_within_a_tenth_of_a_percent(air_c: float, wanted_pa: float) -> None:
    """Of the two formulas in use the FAO's, by which the wet bulb goes, is the nearer.

    Source: ASHRAE Handbook of Fundamentals 2017, ch. 1, table 3.
    """
    assert 1000.0 * saturation_kpa(air_c) == pytest.approx(wanted_pa, rel=1e-3)


@pytest.mark.parametrize(("air_c", "wanted_pa"), [(-20.0, 103.24), (-5.0, 401.74)])
def test_saturation_over_ice_is_ashraes(air_c: float, wanted_pa: float) -> None:
    """Within 0.05 %; over water it would be 5 % more at -5 Cel.

    Source: ASHRAE Handbook of Fundamentals 2017, ch. 1, table 3.
    """
    assert 100.0 * saturation_over_ice_hpa(air_c) == pytest.approx(wanted_pa, rel=5e-4)


ROWS = [
    pytest.param(20.0, 50.0, 9.255, None, 13.783, id="mild"),
    pytest.param(5.0, 60.0, -2.130, -1.878, 2.115, id="cool"),
    pytest.param(2.0, 70.0, -2.903, -2.560, 0.122, id="frost-about"),
    pytest.param(0.0, 90.0, -1.445, -1.273, -0.572, id="freezing"),
    pytest.param(-5.0, 80.0, -7.917, -7.014, -5.884, id="frost"),
]


@pytest.mark.parametrize(("air_c", "humidity_pct", "dew_c", "frost_c", "wet_c"), ROWS)
def test_dew_point_frost_point_and_wet_bulb(
    air_c: float, humidity_pct: float, dew_c: float, frost_c: float | None, wet_c: float
) -> None:
    """Dew and frost point within 0.01 K; the wet bulb, with FAO's coefficient, within 0.1 K of ASHRAE's.

    Source: computed independently from WMO-No. 8, annex 4.B, and ASHRAE Handbook of Fundamentals 2017, ch. 1.
    """
    assert dew_point_c(air_c, humidity_pct) == pytest.approx(dew_c, abs=0.01)
    if frost_c is not None:
        assert frost_point_c(air_c, humidity_pct) == pytest.approx(frost_c, abs=0.01)
    assert wet_bulb_c(air_c, humidity_pct) == pytest.approx(wet_c, abs=0.1)


def test_the_dew_point_lies_below_the_frost_point_of_the_same_vapour() -> None:
    """Frost point -5 and -15 Cel are dew point -5.655 and -16.797 Cel.

    Source: computed independently from WMO-No. 8, annex 4.B.
    """
    assert dew_point_of_c(saturation_over_ice_hpa(-5.0)) == pytest.approx(-5.655, abs=0.01)
    assert dew_point_of_c(saturation_over_ice_hpa(-15.0)) == pytest.approx(-16.797, abs=0.01)


def test_the_wet_bulb_of_ashrae() -> None:
    """At 7 Cel, 61 % and 100 kPa it is 3.927 Cel, within 0.1 K.

    Source: ASHRAE Handbook of Fundamentals 2017, ch. 1, eq. 33, by PsychroLib's published test (MIT).
    """
    assert wet_bulb_c(7.0, 61.0, 100.0) == pytest.approx(3.927, abs=0.1)


@given(air_c=st.floats(-30.0, 45.0), humidity_pct=st.floats(1.0, 100.0))
def test_the_points_stand_in_their_order(air_c: float, humidity_pct: float) -> None:
    """Dew point, wet bulb, air: never otherwise; below freezing the frost point is not below the dew point.

    Source: definition of the three (WMO-No. 8, ch. 4); 1e-3 K is left for two formulas of saturation.
    """
    dew_c, wet_c = dew_point_c(air_c, humidity_pct), wet_bulb_c(air_c, humidity_pct)
    assert dew_c - 1e-3 <= wet_c <= air_c
    if dew_c < 0.0:
        assert frost_point_c(air_c, humidity_pct) >= dew_c


def test_saturated_air_is_no_wetter_than_itself() -> None:
    """At 2 Cel and 100 % the wet bulb shows 2 Cel, not a rounding more.

    Source: definition of the three (WMO-No. 8, ch. 4).
    """
    assert 2.0 - 1e-9 <= wet_bulb_c(2.0, 100.0) <= 2.0


@pytest.mark.parametrize(("air_c", "full_pct"), [(-5.0, 95.2), (-10.0, 90.5)])
def test_below_freezing_air_may_hold_more_than_ice_lets_it(air_c: float, full_pct: float) -> None:
    """From that humidity on the frost point is above the air, and rime grows; just below it, it is not.

    Source: ratio of saturation over ice and over water (WMO-No. 8, annex 4.B).
    """
    assert frost_point_c(air_c, full_pct + 0.2) > air_c
    assert frost_point_c(air_c, full_pct - 0.2) < air_c
