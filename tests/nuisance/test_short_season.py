"""A week of each sound enclosure: nothing latches, and few alerts; the whole season is `python -m tests.nuisance`."""

import pytest

from tests.nuisance.season import BUILT, MOST_ALERTS_A_DAY, season

DAYS = 6


@pytest.mark.parametrize("name", BUILT)
def test_a_week_without_nuisance(name: str) -> None:
    """A cold snap and a bright day: no trip at all, and fewer than 6 alerts on any day; and heat was wanted."""
    found = season(BUILT[name], 1, DAYS)
    assert found.trips == []
    assert max(found.alerts.values(), default=0) < MOST_ALERTS_A_DAY
    assert found.heated_share > 0.05


def test_a_shut_tunnel_in_the_sun_is_hot_and_latches_nothing() -> None:
    """Shut and dark inside, a bright day in May: beyond 45 Cel, an alert, no trip."""
    found = season(BUILT["cable-ample"], 1, 2, start_day=108)
    assert found.hottest_air_c > 50.0
    assert found.alert_names["hot-air"] >= 1
    assert found.trips == []
