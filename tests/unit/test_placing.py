"""Each plant tonight: stay, cover, bring in, wait, may go out."""

from datetime import date, timedelta

import pytest

from api.season.alarm import Alarms, Place, Stage
from api.season.bbch import Scale
from api.season.daily import Daily, Day, daily_of
from api.season.placing import BRING_IN, COVER, MAY_GO, STAY, UNKNOWN, WAIT, WARMER, Known, once_more_from, placed
from api.season.plants import Plant, Protection
from api.season.tonight import Forecast

TODAY = date(2026, 4, 20)


def no_record(_threshold_c: float) -> None:
    """No station, no years of our own."""


def fig(stands: str = "ground", protection: Protection = Protection.OPEN, enclosure: str | None = None) -> Plant:
    """Return a fig of ours."""
    return Plant("one", "brown fig", "", enclosure, protection, stands, 2020, Scale.FIG)


def lowest(minimum_c: float, spread_k: float = 1.0) -> Forecast:
    """Return a forecast."""
    return Forecast(minimum_c, spread_k, 30, False, False, "")


def known(forecast: Forecast | None, alarms: Alarms | None = None) -> Known:
    """Return what is known without a record."""
    return Known(alarms or Alarms(), forecast, no_record)


def springs(last: date, years: int = 20) -> Daily:
    """Return a record in which the last night at -3 Cel comes on the same day of every year."""
    days = []
    for year in range(2005, 2005 + years):
        for number in range(365):
            on = date(year - 1, 8, 1) + timedelta(days=number)
            cold = date(year, 1, 1) <= on <= date(year, last.month, last.day)
            days.append(Day(on, -4.0 if cold else 8.0, 15.0))
    return daily_of("station", days)


@pytest.mark.parametrize(
    ("stands", "code", "minimum_c", "advice"),
    [
        ("ground", 0, -5.0, STAY),
        ("ground", 0, -12.0, COVER),
        ("ground", 11, 5.0, STAY),
        ("ground", 11, 2.0, COVER),
        ("container", 0, 0.0, STAY),
        ("container", 0, -4.0, BRING_IN),
        ("container", 15, 3.0, BRING_IN),
        ("container", 15, 8.0, STAY),
    ],
)
def test_what_stands_outdoors_stays_until_its_own_limit_is_near(
    stands: str, code: int, minimum_c: float, advice: str
) -> None:
    """By stage and place; what is possible counts as danger."""
    found = placed(fig(stands), code, known(lowest(minimum_c)), None)
    assert found.advice == advice


def test_without_a_forecast_nothing_is_claimed() -> None:
    """Not even that it may stay."""
    assert placed(fig(), 11, known(None), None).advice == UNKNOWN


@pytest.mark.parametrize(("inside_c", "advice"), [(3.0, STAY), (1.0, WARMER), (None, UNKNOWN)])
def test_under_cover_the_air_inside_counts(inside_c: float | None, advice: str) -> None:
    """Leaves under cover are in danger at +1 Cel of the air there, however cold it is outside."""
    plant = fig(protection=Protection.HEATED_TUNNEL, enclosure="larch")
    assert placed(plant, 15, known(lowest(-9.0)), inside_c).advice == advice


@pytest.mark.parametrize(("last", "advice"), [(date(2026, 4, 10), MAY_GO), (date(2026, 5, 5), WAIT)])
def test_pots_in_the_store_wait_until_their_frosts_are_over(last: date, advice: str) -> None:
    """Dormant pots stand -3 Cel: by the years on record that is over, or still to come."""
    plant = fig("container", Protection.STORE)
    record = springs(last)
    here = Known(Alarms(), lowest(5.0), lambda at_c: once_more_from(record, at_c, 46.0, TODAY))
    found = placed(plant, 0, here, None)
    assert (found.advice, found.stage) == (advice, Stage.DORMANT)
    assert found.years is not None
    assert found.years.years == 20


def test_pots_without_any_record_are_not_told_to_go() -> None:
    """No station, no own years."""
    assert placed(fig("container", Protection.STORE), 0, known(None), None).advice == UNKNOWN


def test_limits_of_ones_own_decide() -> None:
    """A fig in leaf that its keeper trusts to stand -1 Cel may stay at 1; on a clear night, by its own limit too."""
    own = {(Stage.LEAFED, Place.GROUND): -1.0, (Stage.LEAFED, None): 0.5}
    assert placed(fig(), 11, known(lowest(1.0, 0.5)), None).advice == COVER
    assert placed(fig(), 11, known(lowest(1.0, 0.5), Alarms(own)), None).advice == STAY
    found = placed(fig(), 11, known(lowest(1.0, 0.5), Alarms(own, clear_calm_dry=True)), None)
    assert (found.at.air_c, found.at.basis.value, found.advice) == (0.5, "your own", COVER)
