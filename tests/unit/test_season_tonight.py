"""What is told of tonight: which fit, how far it is trusted, and the word for the chance of frost."""

from datetime import date, timedelta

import numpy as np
import pytest

from api.season.night import Fit, Line, Method, Night, NightError, choose, fitted, is_outside, minimum_c
from api.season.night_course import course_c, hours_until
from api.season.tonight import Forecast, chance, fed, predict

BEGIN = date(2026, 1, 1)


def made(count: int, seed: int = 1, *, b1: float = 0.8, b2: float = 0.1, noise_k: float = 0.5) -> list[Night]:
    """Return nights that follow a line with some noise."""
    draw = np.random.default_rng(seed)
    t0_c, moist = draw.uniform(-5.0, 15.0, count), draw.uniform(0.0, 10.0, count)
    lowest_c = b1 * t0_c + b2 * (t0_c - moist) - 2.0 + draw.normal(0.0, noise_k, count)
    return [
        Night(BEGIN + timedelta(days=day), float(t0), float(t0 - dry), float(low))
        for day, (t0, dry, low) in enumerate(zip(t0_c, moist, lowest_c, strict=True))
    ]


def dry(nights: list[Night]) -> list[Night]:
    """Return nights without their dew points."""
    return [Night(night.on, night.t0_c, None, night.minimum_c) for night in nights]


@pytest.mark.parametrize(("count", "prior"), [(0, True), (19, True), (20, False)])
def test_below_twenty_nights_the_prior_tells(count: int, prior: bool) -> None:
    """And says so; from twenty on the site's own nights do."""
    fit = choose(made(count))
    told = predict(fit, 5.0, 1.0)
    assert (fit.method is Method.PRIOR, fit.nights) == (prior, count)
    assert told.from_prior is prior
    if count == 0:
        assert (told.minimum_c, told.spread_k, told.freedom) == pytest.approx((1.8, 2.4, 5))
        assert "three airports about New York" in told.words


def test_the_prior_gives_way_to_what_was_seen() -> None:
    """Falls of 6.2 K instead of 3.2: after six nights half the way, after nineteen three quarters, never less sure."""
    nights = [Night(BEGIN + timedelta(days=day), 5.0, None, -1.2) for day in range(19)]
    assert predict(choose(nights[:6]), 5.0, None).minimum_c == pytest.approx(5.0 - 3.2 - 1.5)
    assert predict(choose(nights), 5.0, None).minimum_c == pytest.approx(5.0 - 3.2 - 3.0 * 19 / 25)
    spreads = [choose(nights[:count]).rmse_k for count in (0, 6, 19)]
    assert spreads == pytest.approx([2.4, (0.5 * (2.4**2 + 1.5**2) + 0.5 * 1.5**2) ** 0.5, 1.739], abs=0.001)


def test_the_joint_fit_is_taken_where_it_is_clearly_better() -> None:
    """Where the dew point matters as much as the temperature, two steps miss it, by more than a tenth."""
    assert choose(made(120, b1=0.3, b2=0.6)).method is Method.JOINT
    assert choose(made(120, b1=0.8, b2=0.1)).method is Method.TWO_STEP


@pytest.mark.parametrize(("moist", "dew_known"), [(0, True), (19, True), (60, False)])
def test_without_dew_points_the_temperature_alone_tells(moist: int, dew_known: bool) -> None:
    """Too few nights with humidity, or none tonight: the regression on temperature, which then needs no dew point."""
    nights = made(60)
    fit = choose([*nights[:moist], *dry(nights[moist:])], dew_known=dew_known)
    assert (fit.method, fit.nights, fit.needs_dew) == (Method.T0_ONLY, 60, False)
    assert predict(fit, 5.0, None).minimum_c == pytest.approx(0.9 * 5.0 - 2.5, abs=0.5)


def test_a_fit_that_needs_the_dew_point_says_so() -> None:
    """It does not guess one."""
    with pytest.raises(NightError, match="needs tonight's dew point; choose a fit with dew_known=False"):
        predict(choose(made(60)), 5.0, None)
    with pytest.raises(NightError, match="night of 2026-01-01: no dew point, and this method needs it; leave out 3"):
        fitted(Method.JOINT, dry(made(3)))
    with pytest.raises(NightError, match="no night to learn from"):
        fitted(Method.T0_ONLY, [])


def test_the_error_is_that_of_nights_not_seen() -> None:
    """Twenty nights of mere noise fit themselves better than they tell one another."""
    nights = made(20, noise_k=2.0)
    line = fitted(Method.TWO_STEP, nights)
    own_k = np.sqrt(np.mean([(n.minimum_c - minimum_c(line, n.t0_c, n.dew_c)) ** 2 for n in nights]))
    fit = choose(nights)
    assert fit.judged == "a night left out at a time"
    assert fit.rmse_k > 1.05 * own_k


@pytest.mark.parametrize(("count", "judged"), [(61, "a night"), (62, "a month")])
def test_months_are_left_out_whole_where_there_are_three(count: int, judged: str) -> None:
    """And where none of them holds more than half of the nights: here January, until the third night of March."""
    assert choose(made(count)).judged == f"{judged} left out at a time"


def test_a_month_that_is_most_of_the_nights_is_not_left_out_whole() -> None:
    """Thirty-one of January and two each of two other months: nothing would be left to learn from."""
    nights = made(90)
    kept = [*nights[:31], *nights[31:33], *nights[70:72]]
    assert choose(kept).judged == "a night left out at a time"


LINE = Line(0.5, 0.2, -1.0, (0.0, 10.0), (-8.0, 4.0))


@pytest.mark.parametrize(
    ("t0_c", "dew_c", "wanted_c", "outside"),
    [
        (10.0, 4.0, 4.8, False),
        (10.1, 4.0, 4.9, True),
        (0.0, -8.0, -2.6, False),
        (-2.0, -8.0, -4.6, True),
        (5.0, 9.0, 2.3, True),
        (5.0, -20.0, -0.1, True),
    ],
    ids=["at-the-top", "above", "at-the-bottom", "below", "damper", "drier"],
)
def test_outside_its_range_a_line_keeps_the_fall_of_its_edge(
    t0_c: float, dew_c: float, wanted_c: float, outside: bool
) -> None:
    """A kelvin more in the evening is then a kelvin more in the morning; a drier evening changes nothing."""
    assert minimum_c(LINE, t0_c, dew_c) == pytest.approx(wanted_c)
    assert is_outside(LINE, t0_c, dew_c) is outside


@pytest.mark.parametrize(("rmse_k", "spread_k"), [(1.0, 2.4), (3.0, 3.0)])
def test_outside_its_range_a_fit_is_trusted_no_more_than_the_prior(rmse_k: float, spread_k: float) -> None:
    """The spread is the wider of the two, and the words say why."""
    fit = Fit(Method.JOINT, LINE, 40, rmse_k, 37, "a night left out at a time")
    told = predict(fit, 14.0, 2.0)
    assert (told.spread_k, told.outside_range) == (spread_k, True)
    assert "outside all of them" in told.words
    inside = predict(fit, 5.0, 2.0)
    assert (inside.spread_k, inside.outside_range) == (rmse_k, False)
    assert "outside" not in inside.words


def forecast(minimum: float, spread_k: float = 2.0, freedom: int = 1000) -> Forecast:
    """Return a forecast of that minimum."""
    return Forecast(minimum, spread_k, freedom, False, False, "")


@pytest.mark.parametrize(
    ("lowest_c", "probability", "word"),
    [
        (-4.0, 0.977, "likely"),
        (0.0, 0.5, "likely"),
        (0.1, 0.480, "possible"),
        (2.0, 0.159, "possible"),
        (2.5, 0.106, "possible"),
        (2.6, 0.097, "unlikely"),
        (9.0, 0.0, "unlikely"),
    ],
)
def test_the_word_follows_from_the_chance(lowest_c: float, probability: float, word: str) -> None:
    """Likely from one half, possible from one tenth: one spread above the threshold is still possible."""
    found = chance(forecast(lowest_c), 0.0)
    assert found.probability == pytest.approx(probability, abs=0.001)
    assert (found.word, found.threshold_c) == (word, 0.0)


def test_few_nights_make_wider_tails() -> None:
    """Two spreads above the threshold: 2.3 % for a thousand nights, 5.1 % for five degrees of freedom."""
    assert chance(forecast(4.0), 0.0).probability == pytest.approx(0.023, abs=0.001)
    assert chance(forecast(4.0, freedom=5), 0.0).probability == pytest.approx(0.051, abs=0.001)


def test_a_forecast_fed_in_is_put_right_by_its_errors_here() -> None:
    """A hollow 3 K colder than the forecast: after six nights half of it is believed, after many nearly all."""
    assert (fed(2.0).minimum_c, fed(2.0).spread_k, fed(2.0).from_prior) == (2.0, pytest.approx(2.4), True)
    assert fed(2.0, [-3.0] * 6).minimum_c == pytest.approx(0.5)
    told = fed(2.0, [-3.5, -2.5] * 100)
    assert told.minimum_c == pytest.approx(-0.91, abs=0.01)
    assert told.spread_k < 0.9
    assert not told.from_prior


@pytest.mark.parametrize(
    ("threshold_c", "wanted_h"),
    [(5.0, 0.0), (4.0, 0.0), (3.9, 9 * (0.1 / 6) ** 2), (-2.0, 9.0), (-2.1, None)],
    ids=["above", "at-the-evening", "just-below", "at-the-minimum", "never"],
)
def test_a_threshold_is_reached_at_an_hour_or_not_this_night(threshold_c: float, wanted_h: float | None) -> None:
    """Counted from two hours after sunset."""
    found = hours_until(threshold_c, 4.0, -2.0, 11.0)
    assert found == (None if wanted_h is None else pytest.approx(wanted_h))


def test_a_night_that_does_not_cool_reaches_nothing_below() -> None:
    """A minimum as warm as the evening, or warmer, divides by nothing."""
    assert hours_until(3.0, 4.0, 4.0, 11.0) is None
    assert hours_until(4.0, 4.0, 4.0, 11.0) == 0.0


@pytest.mark.parametrize(("hour", "wanted_c"), [(0.0, 4.0), (2.0, 4.0), (11.0, -2.0), (13.0, -2.0)])
def test_the_course_stands_still_beyond_its_ends(hour: float, wanted_c: float) -> None:
    """Before two hours after sunset and after sunrise the trend does not hold."""
    assert course_c(4.0, -2.0, 11.0, hour) == pytest.approx(wanted_c)
