"""A week of each sound enclosure: nothing latches, and few alerts; the whole season is `python -m tests.nuisance`."""

import pytest

from tests.nuisance.season import BUILT, MOST_ALERTS_A_DAY, season, sound_and_dead

DAYS = 6
SUNSET_H = 4.5
"""[h] after noon, UTC, in the first week of February."""


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


@pytest.mark.parametrize(
    ("name", "seed", "day", "within_h"),
    [("cable-ample", 3, 1.5, 6), ("cable-ample", 4, 5.5, 6), ("cable-in-sand", 4, 5.5, 6), ("cable-proved", 4, 5.5, 4)],
)
def test_after_a_hot_day_a_sound_heater_latches_nothing_and_a_dead_one_does(
    name: str, seed: int, day: float, within_h: int
) -> None:
    """Evenings on which a sound cable once latched: it does no more; one dead since noon does, so soon after sunset."""
    sound, found = sound_and_dead(BUILT[name], seed, day + 0.75, dies_day=day)
    assert sound.trips == []
    assert [words for at, words in found.trips if day < at <= day + (SUNSET_H + within_h) / 24], found.trips
    assert "heat was given" in found.trips[-1][1]
