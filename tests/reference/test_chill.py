"""Counts of cold against their published bounds and constants."""

import numpy as np
import pytest

from api.season.chill import METHODS, ChillState, chill_portions, continued, utah_units


def steady(air_c: float, hours: int) -> float:
    """Return the portions of so many hours at one temperature."""
    return float(chill_portions(np.full(hours, air_c)).sum())


def days(night_c: float, day_c: float) -> float:
    """Return the portions of sixty days of 16 h at one temperature and 8 h at another."""
    return float(chill_portions(np.tile(np.repeat([night_c, day_c], [16, 8]), 60)).sum())


def test_a_chilling_hour_lies_from_0_to_7_2() -> None:
    """Both bounds count, a tenth beyond either does not; the other reading counts the frost too, and is named.

    Source: Weinberger 1950, Proc. Am. Soc. Hort. Sci. 56:122-128.
    """
    edges = np.array([-0.1, 0.0, 7.2, 7.3])
    assert METHODS["chilling-hours"].per_hour(edges).tolist() == [0, 1, 1, 0]
    assert METHODS["chilling-hours-with-frost"].per_hour(edges).tolist() == [1, 1, 1, 0]


def test_utah_units_change_at_the_published_temperatures() -> None:
    """Each bound belongs to the colder band; warm hours take away, and in the positive count take nothing.

    Source: Richardson, Seeley and Walker 1974, HortScience 9:331-332.
    """
    edges = np.array([1.4, 1.5, 2.4, 2.5, 9.1, 9.2, 12.4, 12.5, 15.9, 16, 18, 18.1])
    expected = [0, 0.5, 0.5, 1, 1, 0.5, 0.5, 0, 0, -0.5, -0.5, -1]
    assert utah_units(edges).tolist() == expected
    assert METHODS["positive-utah"].per_hour(edges).tolist() == [max(each, 0) for each in expected]


@pytest.mark.parametrize(
    ("air_c", "after_240", "after_500", "after_1000"),
    [
        (-2.0, 0.0314, 0.0978, 0.2420),
        (0.0, 0.7743, 2.1386, 4.8574),
        (4.0, 6.5821, 14.6751, 29.8494),
        (6.0, 7.8207, 16.6152, 34.2042),
        (8.0, 8.1332, 17.2838, 34.5684),
        (12.0, 6.0004, 12.0007, 25.0015),
        (13.0, 0.0, 0.0, 0.0),
    ],
)
def test_steady_cold_banks_known_portions(air_c: float, after_240: float, after_500: float, after_1000: float) -> None:
    """After 240, 500 and 1000 h at one temperature; at 13 Cel and above never any.

    Source: Fishman, Erez and Couvillon 1987, J. Theor. Biol. 124:473-483 (constants); figures by independent code.
    """
    found = [steady(air_c, hours) for hours in (240, 500, 1000)]
    assert found == pytest.approx([after_240, after_500, after_1000], abs=1e-4 if after_1000 else 0.0)


def test_the_first_portion_comes_when_the_product_reaches_one() -> None:
    """At 6 Cel in the 29th hour, of 0.98051; at 12 Cel in the 39th, whole.

    Source: Fishman, Erez and Couvillon 1987, J. Theor. Biol. 124:473-483 (constants); figures by independent code.
    """
    for air_c, hour, size in ((6.0, 29, 0.98051), (12.0, 39, 1.00006), (-2.0, 36, 0.00005)):
        banked = chill_portions(np.full(60, air_c))
        assert int(np.flatnonzero(banked)[0]) + 1 == hour
        assert banked[hour - 1] == pytest.approx(size, abs=1e-5)


def test_warm_days_cancel_and_mild_days_add() -> None:
    """Sixty days of 16 h at 6 Cel and 8 h at 20, 15 and 13 Cel, and at 6 Cel throughout.

    Source: Fishman, Erez and Couvillon 1987, J. Theor. Biol. 126:309-321 (model); figures by independent code.
    """
    found = [days(6.0, 20.0), days(6.0, 15.0), days(6.0, 13.0), days(6.0, 6.0)]
    assert found == pytest.approx([29.3038, 42.7883, 45.6584, 49.8389], abs=1e-4)


def test_warmth_never_takes_what_is_banked() -> None:
    """Through a winter of ten cold days and a warm one up to 45 Cel, again and again, no hour banks less than nothing.

    Source: Erez, Fishman, Linsley-Noakes and Allan 1990, Acta Horticulturae 276:165-174 (irreversible second step).
    """
    rng = np.random.default_rng(1)
    winter = np.concatenate([np.r_[rng.uniform(0.0, 9.0, 240), rng.uniform(15.0, 45.0, 24)] for _ in range(9)])
    banked = chill_portions(winter)
    assert banked.sum() > 20.0
    assert (banked >= 0.0).all()
    cold = np.full(500, 6.0)
    assert chill_portions(np.concatenate([cold, np.full(100, 45.0)])).sum() >= chill_portions(cold).sum()


def test_a_season_continued_hour_by_hour_is_the_season_in_one() -> None:
    """Fed one hour at a time, the state goes on to the same portions as the whole row.

    Source: Fishman, Erez and Couvillon 1987, J. Theor. Biol. 124:473-483 (a recursion in the hour before).
    """
    row = np.random.default_rng(2).uniform(-5.0, 18.0, 600)
    state = ChillState()
    for each in row:
        state, _ = continued(state, np.array([each]))
    assert state.portions == pytest.approx(float(chill_portions(row).sum()), abs=1e-12)
    assert state.portions > 5.0
