"""The PI arithmetic and its tuning against published and calculated figures."""

import math
from itertools import pairwise

import pytest
from simple_pid import PID

from controller.control.pid import Gains, duty_for

SCALE = 100.0
"""The figures are written for an output of 0 to 100; duty is 0 to 1."""


def outputs(soil: list[float], set_point_c: float = 25.0, gain: float = 2.0, rate: float = 0.1) -> list[float]:
    """Return duties in percent for a sequence of soil values 10 s apart."""
    gains, integral, duties = Gains(gain / SCALE, gain / rate), 0.0, []
    for value in soil:
        result = duty_for(gains, set_point_c, value, integral, 10.0)
        integral = result.integral
        duties.append(result.duty * SCALE)
    return duties


def test_a_steady_error_ramps_the_output() -> None:
    """Row 35: Kp 2, Ki 0.1, set point 25, value 20, 10 s apart: 15, 20, 25, 30.

    Source: simple-pid 2.0.1, run with these figures; arithmetic.
    """
    assert outputs([20.0] * 4) == pytest.approx([15.0, 20.0, 25.0, 30.0])


def test_one_value_that_is_no_number_does_not_spoil_the_next() -> None:
    """Row 36: simple-pid alone is NaN for ever after; behind our door the next output is the one it would have been.

    Source: simple-pid 2.0.1, run with these figures.
    """
    bare = PID(2.0, 0.1, 0.0, setpoint=25.0, sample_time=None, output_limits=(0.0, 100.0))
    bare(math.nan, dt=10.0)
    spoiled = bare(20.0, dt=10.0)
    assert spoiled is not None
    assert math.isnan(spoiled)
    with pytest.raises(ValueError, match="finite"):
        outputs([math.nan])
    assert outputs([20.0]) == pytest.approx([15.0])


def test_an_integral_at_its_bound_comes_down_at_once() -> None:
    """Row 37: with the integral at 100 and a value 5 above: 100 - 5 - 10 - 45..., in the library 40, 0, 0.

    Source: simple-pid 2.0.1, run: set point 25, 100 steps at 0, then 30.
    """
    bare = PID(2.0, 0.1, 0.0, setpoint=25.0, sample_time=None, output_limits=(0.0, 100.0))
    for _ in range(100):
        bare(0.0, dt=10.0)
    library = [bare(value, dt=10.0) for value in (30.0, 30.0, 30.0)]
    ours, integral = [], 1.0
    for _ in range(3):
        result = duty_for(Gains(2.0 / SCALE, 20.0), 25.0, 30.0, integral, 10.0)
        integral = result.integral
        ours.append(result.duty * SCALE)
    assert ours == pytest.approx(library)


def test_a_preset_integral_is_the_output_at_no_error() -> None:
    """Row 38: taking over at 40 with no error gives 40.

    Source: simple-pid 2.0.1, `set_auto_mode(True, last_output=40)`; bumpless transfer, Astrom and Hagglund 2006, 3.5.
    """
    result = duty_for(Gains(2.0 / SCALE, 20.0), 25.0, 25.0, 0.40, 10.0)
    assert (result.duty, result.integral) == (0.40, 0.40)


def simc(gain: float, tau_s: float, delay_s: float) -> Gains:
    """Return SIMC PI gains with the closed-loop time equal to the delay."""
    return Gains(tau_s / (gain * 2 * delay_s), min(tau_s, 8 * delay_s))


def test_the_soil_loops_tuning_by_simc() -> None:
    """Row 44: 20 K per duty, 4 h, 15 min of delay: 0.4 per K and 7200 s.

    Source: Skogestad 2003, J. Process Control 13(4), 291-309, table 1.
    """
    tuned = simc(20.0, 4 * 3600.0, 900.0)
    assert (tuned.gain_per_k, tuned.integral_s) == (pytest.approx(0.4), 7200.0)


def test_the_tuned_loop_settles_without_much_overshoot() -> None:
    """The gains of row 44 on the model they are for: within 0.2 K in a day, overshoot under 40 % of a 5 K step.

    Source: Skogestad 2003, section 5 (Ms 1.59 for this process); simulated here.
    """
    gains, soil_c, integral = simc(20.0, 4 * 3600.0, 900.0), 10.0, 0.0
    waiting, peak_c = [0.0] * 90, 10.0
    for _ in range(8640):
        result = duty_for(gains, 15.0, soil_c, integral, 10.0)
        integral = result.integral
        waiting.append(result.duty)
        soil_c += (10.0 + 20.0 * waiting.pop(0) - soil_c) * 10.0 / (4 * 3600.0)
        peak_c = max(peak_c, soil_c)
    assert soil_c == pytest.approx(15.0, abs=0.2)
    assert peak_c < 17.0


def test_duty_falls_as_soil_warms() -> None:
    """Monotone: warmer soil never asks for more.

    Source: common practice.
    """
    duties = [duty_for(Gains(0.5, 10_800.0), 20.0, soil / 10, 0.2, 10.0).duty for soil in range(100, 300)]
    assert all(later <= earlier for earlier, later in pairwise(duties))
