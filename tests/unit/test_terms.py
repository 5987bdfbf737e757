"""What a duty is made of."""

import math

import pytest

from controller.control.pid import Gains, duty_for
from controller.control.terms import FeedForward, Terms, followed, with_plan

FORWARD = FeedForward(outside_per_k=0.03, deep_per_k=0.01, deep_c=8.0, sun_per_w_m2=0.001, lag_s=3600.0)


def test_the_weather_asks_for_what_the_model_says() -> None:
    """Soil 18, outside 8, deep ground 8, 100 W/m2: 0.03 x 10 + 0.01 x 10 on, 0.1 off."""
    terms = followed(None, FORWARD, 18.0, 8.0, 100.0, 10.0)
    assert terms.outside == pytest.approx(0.4)
    assert terms.sun == pytest.approx(-0.1)
    assert terms.weather == pytest.approx(0.3)


@pytest.mark.parametrize(
    ("outside_c", "sun", "outside", "light"),
    [
        (-60.0, 0.0, 1.0, 0.0),
        (40.0, 0.0, 0.0, 0.0),
        (8.0, 1e6, 0.4, -1.0),
        (8.0, -5.0, 0.4, 0.0),
        (8.0, None, 0.4, 0.0),
    ],
)
def test_no_weather_asks_for_more_than_all_or_less_than_nothing(
    outside_c: float, sun: float | None, outside: float, light: float
) -> None:
    """However wrong a model or a probe may be, a term stays within its bounds."""
    terms = followed(None, FORWARD, 18.0, outside_c, sun, 10.0)
    assert (terms.outside, terms.sun) == (pytest.approx(outside), pytest.approx(max(light, -1.0)))


def test_weather_is_felt_with_the_lag_of_the_soil() -> None:
    """After one lag 63 % of a change is there; nothing jumps."""
    before = followed(None, FORWARD, 18.0, 8.0, 0.0, 10.0)
    after = before
    for _ in range(360):
        after = followed(after, FORWARD, 18.0, -2.0, 0.0, 10.0)
    assert after.outside - before.outside == pytest.approx(0.3 * (1.0 - math.exp(-1.0)), rel=1e-3)


@pytest.mark.parametrize(
    ("outside_c", "sun", "ends"), [(None, 300.0, (0.0, -0.3)), (8.0, None, (0.4, 0.0)), (None, None, (0.0, 0.0))]
)
def test_what_nothing_measures_fades_out_and_the_other_stays(
    outside_c: float | None, sun: float | None, ends: tuple[float, float]
) -> None:
    """Nothing believable outside, or no light: that term goes, with the lag; the sun counts without an outside too."""
    terms = Terms(outside=0.4, sun=-0.1)
    for _ in range(3600):
        terms = followed(terms, FORWARD, 18.0, outside_c, sun, 10.0)
    assert (terms.outside, terms.sun) == pytest.approx(ends, abs=1e-3)


@pytest.mark.parametrize(("planned", "plan"), [(None, 0.0), (0.9, 0.4), (0.0, -0.5)])
def test_the_plan_s_term_is_what_it_changes(planned: float | None, plan: float) -> None:
    """All terms together are the duty."""
    terms = with_plan(Terms(outside=0.4), 0.1, planned)
    assert terms.plan == pytest.approx(plan)
    assert sum((terms.feedback, terms.outside, terms.sun, terms.plan)) == pytest.approx(
        planned if planned is not None else 0.5
    )


def test_the_integral_stands_where_the_whole_sum_saturates() -> None:
    """Anti-windup sees weather and feedback together: a cold night's full heat does not wind the integral up."""
    gains = Gains(0.5, 3600.0)
    integral = 0.2
    for _ in range(1000):
        integral = duty_for(gains, 18.0, 17.8, integral, 10.0, ahead=0.95).integral
    assert integral == 0.2
    assert duty_for(gains, 18.0, 17.8, integral, 10.0, ahead=0.1).integral > 0.2


def test_the_integral_may_go_below_nothing_where_the_weather_asks_too_much() -> None:
    """Feed-forward that is too high is taken back by the integral, down to -1 and no further."""
    gains, integral = Gains(0.5, 3600.0), 0.0
    for _ in range(3000):
        integral = duty_for(gains, 18.0, 18.1, integral, 10.0, ahead=0.9).integral
    assert -1.0 <= integral < -0.1
    assert 0.0 <= duty_for(gains, 18.0, 18.1, integral, 10.0, ahead=0.9).duty <= 1.0
