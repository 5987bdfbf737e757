"""The soil loop's arithmetic: always finite, always 0 to 1, nothing remembered that should not be."""

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.control.pid import Gains, duty_for

CABLE = Gains(0.5, 10_800.0)
ANY = st.floats(allow_nan=True, allow_infinity=True)


@given(
    st.floats(0.001, 20.0), st.floats(60.0, 1e6), st.floats(-50.0, 130.0), st.floats(-50.0, 130.0),
    st.floats(0.0, 1.0), st.floats(0.001, 60.0),
)  # fmt: skip
def test_the_duty_is_finite_and_between_0_and_1(
    gain: float, integral_s: float, set_point_c: float, soil_c: float, integral: float, elapsed_s: float
) -> None:
    """I6: for any finite inputs, and the integral it hands on is again such an input."""
    result = duty_for(Gains(gain, integral_s), set_point_c, soil_c, integral, elapsed_s)
    assert 0.0 <= result.duty <= 1.0
    assert 0.0 <= result.integral <= 1.0
    assert math.isfinite(result.proportional)


@given(st.lists(ANY, min_size=1, max_size=30))
def test_any_sequence_of_samples_leaves_it_sound(samples: list[float]) -> None:
    """I6 P19: a sample that is no number raises, touches nothing, and the next good one gives a good duty."""
    integral = 0.0
    for soil_c in samples:
        if math.isfinite(soil_c):
            integral = duty_for(CABLE, 20.0, soil_c, integral, 10.0).integral
        else:
            with pytest.raises(ValueError, match="not all finite"):
                duty_for(CABLE, 20.0, soil_c, integral, 10.0)
    assert 0.0 <= duty_for(CABLE, 20.0, 15.0, integral, 10.0).duty <= 1.0


@pytest.mark.parametrize("place", range(4))
@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
def test_each_input_must_be_finite(place: int, bad: float) -> None:
    """Set point, soil, integral and time step alike."""
    inputs = [20.0, 15.0, 0.0, 10.0]
    inputs[place] = bad
    with pytest.raises(ValueError, match="not all finite"):
        duty_for(CABLE, *inputs)


def test_gains_that_are_no_number_raise() -> None:
    """C07: the way out is an exception, never a duty of NaN."""
    with pytest.raises(ValueError, match="not finite"):
        duty_for(Gains(math.nan, 100.0), 20.0, 15.0, 0.0, 10.0)


@pytest.mark.parametrize(("soil_c", "direction"), [(15.0, 1), (19.999, 1), (20.0, 0), (20.001, 0), (25.0, 0)])
def test_cold_soil_asks_for_heat_and_warm_soil_does_not(soil_c: float, direction: int) -> None:
    """The sign of the loop (hazard C09)."""
    assert (duty_for(CABLE, 20.0, soil_c, 0.0, 10.0).duty > 0.0) == bool(direction)


def test_the_arithmetic_is_proportional_plus_integral() -> None:
    """1 K below at 0.5/K and 3 h: 0.5 at once, and 0.5 x 10/10800 more each ten seconds."""
    result = duty_for(CABLE, 20.0, 19.0, 0.1, 10.0)
    step = 0.5 * 10 / 10_800
    assert result == (pytest.approx(0.6 + step), pytest.approx(0.1 + step), pytest.approx(0.5))


def test_saturation_is_not_remembered() -> None:
    """A cold night at full heat leaves the integral where it was, so the morning does not overshoot."""
    integral = 0.3
    for _ in range(1000):
        result = duty_for(CABLE, 20.0, 10.0, integral, 10.0)
        assert result.duty == 1.0
        integral = result.integral
    assert integral == 0.3


def test_warm_soil_is_not_remembered_either() -> None:
    """Sun on the bed by day leaves the integral for the night."""
    result = duty_for(CABLE, 20.0, 30.0, 0.3, 10.0)
    assert (result.duty, result.integral) == (0.0, 0.3)


def test_saturated_heat_still_unwinds_downwards() -> None:
    """Backing off works one way only: an error that lowers the integral is always taken."""
    assert duty_for(Gains(0.1, 600.0), 20.0, 20.5, 1.0, 10.0).integral < 1.0
    assert duty_for(Gains(0.1, 600.0), 20.0, 19.5, 0.0, 10.0).integral > 0.0


def begins_k(gains: Gains) -> float:
    """[K] Return how far above its set point sun-warmed soil, cooling by 0.3 K an hour, still is when heat begins."""
    integral, above_k = 0.0, 2.0
    while above_k > -2.0:
        result = duty_for(gains, 18.0, 18.0 + above_k, integral, 60.0)
        if result.duty > 0.05:
            break
        integral, above_k = result.integral, above_k - 0.3 / 60.0
    return above_k


def test_an_integral_that_tracks_has_heat_begin_before_the_soil_is_down_at_its_set_point() -> None:
    """One that stands while the sum saturates, from 0, waits for an error; one that tracks follows the cooling."""
    assert begins_k(CABLE) < 0.0
    assert 0.0 < begins_k(replace(CABLE, tracking_s=2700.0)) < 0.5


def test_an_integral_that_tracks_is_neither_wound_up_nor_down() -> None:
    """A week of sun, a week of full heat: the sum comes back from its limit within some of its times."""
    gains, integral = replace(CABLE, tracking_s=2700.0), 0.0
    for soil_c, duty in ((28.0, 0.0), (10.0, 1.0)):
        for _ in range(10_000):
            result = duty_for(gains, 18.0, soil_c, integral, 60.0)
            integral = result.integral
        assert result.duty == duty
        assert abs(integral) <= 3.0


def test_where_it_tracks_no_more_an_integral_beyond_all_there_is_begins_afresh() -> None:
    """An outside probe that speaks again by day finds soil 2 K too warm, and no heat waiting to be given."""
    tracked = duty_for(replace(CABLE, tracking_s=2700.0), 18.0, 20.0, 1.5, 10.0, -0.8).integral
    assert tracked > 1.0
    assert duty_for(CABLE, 18.0, 20.0, tracked, 10.0, -0.8).integral == 0.0
