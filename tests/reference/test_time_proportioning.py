"""Time proportioning against the figures controller manuals print."""

import pytest

from controller.control.cycle import CycleTimes, advance


def on_time_s(duty: float, window_s: float) -> float:
    """Return the on-time of one window, sampled at 20 ms, with no shortest times."""
    times, cycle, on = CycleTimes(window_s, 0.0, 0.0, 1e9, 0.0), None, 0
    for step in range(round(window_s * 50)):
        cycle, asks = advance(times, cycle, duty, step / 50)
        on += asks
    return on / 50


@pytest.mark.parametrize(
    ("duty", "window_s", "on_s"), [(0.4, 32.0, 12.8), (0.75, 10.0, 7.5), (0.0, 32.0, 0.0), (1.0, 32.0, 32.0)]
)
def test_a_share_of_a_window_is_that_much_on_time(duty: float, window_s: float, on_s: float) -> None:
    """Row 45: 40 % of 32 s is 12.8 s on and 19.2 s off; 75 % of 10 s is 7.5 s.

    Source: two industrial temperature controller manuals, time-proportioning output with a fixed base.
    """
    assert on_time_s(duty, window_s) == pytest.approx(on_s, abs=0.05)


def test_a_day_at_40_percent_of_500_w_is_4_8_kwh() -> None:
    """Row 50: the on-time of a day at 40 % carries 17.28 MJ.

    Source: arithmetic; 1 kWh = 3.6 MJ (SI Brochure, 9th edition, table 8).
    """
    times, cycle, on_s = CycleTimes(300.0, 30.0, 30.0, 1e9, 60.0), None, 0
    for second in range(86_400):
        cycle, asks = advance(times, cycle, 0.4, float(second))
        on_s += asks
    assert 500.0 * on_s == pytest.approx(17.28e6)
    assert 500.0 * on_s / 3.6e6 == pytest.approx(4.8)


@pytest.mark.parametrize("duty", [0.004, 0.03, 0.07])
def test_residue_is_carried_and_not_dropped(duty: float) -> None:
    """Pulses too short to make are added up: over ten hours the mean is right within 1 % of full scale.

    Source: common practice.
    """
    times, cycle, on_s = CycleTimes(300.0, 30.0, 30.0, 1e9, 60.0), None, 0
    for second in range(36_000):
        cycle, asks = advance(times, cycle, duty, float(second))
        on_s += asks
    assert on_s > 0
    assert on_s / 36_000 == pytest.approx(duty, abs=0.001)
