"""The tuning rule and our default loops in the frequency domain, reckoned by python-control."""

import numpy as np
import pytest

from controller.control.model_of import model_of
from controller.control.thermal import ThermalModel
from controller.control.tuned import PROBE_LAG_S, gains_of
from controller.plant.construction import TEXTURES, Construction, HeaterKind

PADE_ORDER = 8
FULL_GRID = np.logspace(-4, 2, 20_000)


def delayed(seconds: float):  # type: ignore[no-untyped-def]
    """Return a dead time as a rational function."""
    import control

    return control.tf(*control.pade(seconds, PADE_ORDER))


def pi(gain: float, integral_s: float):  # type: ignore[no-untyped-def]
    """Return K (1 + 1 / Ti s)."""
    import control

    return control.tf([gain * integral_s, gain], [integral_s, 0.0])


def most_sensitive(loop) -> float:  # type: ignore[no-untyped-def]
    """Return Ms, the peak of 1 / |1 + L|."""
    return float((1.0 / np.abs(1.0 + loop(1j * FULL_GRID))).max())


PROCESSES = [
    pytest.param([1.0], [4.0, 1.0], 1.0, 2.0, 4.0, 1.59, id="lag-and-delay"),
    pytest.param([1.0], [1.0, 0.0], 1.0, 0.5, 8.0, 1.70, id="integrator-and-delay"),
    pytest.param([1.0], [0.2, 1.2, 1.0], 0.0, 5.5, 0.8, 1.56, id="E1"),
    pytest.param([1.0], [1.0, 4.0, 6.0, 4.0, 1.0], 0.0, 0.3, 1.5, 1.46, id="E4"),
    pytest.param([1.0], [1.0, 2.0, 1.0], 1.0, 0.5, 1.5, 1.61, id="E9"),
]


@pytest.mark.parametrize(("top", "foot", "delay_s", "gain", "integral_s", "peak"), PROCESSES)
def test_the_tuning_rule_gives_the_published_sensitivities(
    top: list[float], foot: list[float], delay_s: float, gain: float, integral_s: float, peak: float
) -> None:
    """Ms of each PI loop, recomputed, within 0.01 of the table.

    Source: Skogestad 2003, J. Process Control 13(4), tables 2 and 4; python-control.
    """
    import control

    loop = control.tf(top, foot) * pi(gain, integral_s)
    if delay_s:
        loop *= delayed(delay_s)
    assert most_sensitive(loop) == pytest.approx(peak, abs=0.01)


@pytest.mark.parametrize(
    ("foot", "gain", "integral_s", "gain_margin", "phase_margin"),
    [([4.0, 1.0], 2.0, 4.0, 3.14, 61.4), ([1.0, 0.0], 0.5, 8.0, 2.96, 46.9)],
)
def test_the_tuning_rule_leaves_the_published_margins(
    foot: list[float], gain: float, integral_s: float, gain_margin: float, phase_margin: float
) -> None:
    """Closed-loop time equal to the delay: gain margin within 0.02, phase margin within 0.2 deg.

    Source: Skogestad 2003, J. Process Control 13(4), table 1 (tau_c = theta); python-control.
    """
    import control

    margin, phase, *_ = control.margin(control.tf([1.0], foot) * pi(gain, integral_s) * delayed(1.0))
    assert margin == pytest.approx(gain_margin, abs=0.02)
    assert phase == pytest.approx(phase_margin, abs=0.2)


def soil_process(model: ThermalModel):  # type: ignore[no-untyped-def]
    """Return duty to probe [K] of the linear soil model: three stores, air without a store, heater and probe lags."""
    import control

    total = model.loss_w_k + model.exchange_w_k
    up = model.exchange_w_k * model.loss_w_k / total
    a, b, c = model.upper_j_k, model.bed_j_k, model.lower_j_k
    ub, bl, ld = model.upper_bed_w_k, model.bed_lower_w_k, model.lower_deep_w_k
    states = np.array([[-(up + ub) / a, ub / a, 0.0], [ub / b, -(ub + bl) / b, bl / b], [0.0, bl / c, -(bl + ld) / c]])
    at_surface = model.to_upper + model.to_air * model.exchange_w_k / total
    heat = model.heater_w * np.array([[at_surface / a], [model.to_bed / b], [0.0]])
    soil = control.ss(states, heat, [[0.0, 1.0, 0.0]], 0.0)
    return control.tf(soil) * control.tf([1.0], [model.lag_s, 1.0]) * control.tf([1.0], [PROBE_LAG_S, 1.0])


@pytest.mark.parametrize("heater", list(HeaterKind))
@pytest.mark.parametrize("soil", ["sand-moist", "clay-wet", "clay-moist", "peat-moist"])
@pytest.mark.parametrize("depth_m", [0.05, 0.10, 0.15])
def test_our_own_gains_leave_a_wide_margin_on_the_soil_they_are_for(
    heater: HeaterKind, soil: str, depth_m: float
) -> None:
    """Gain margin over 3, phase margin over 45 deg, with half a 30 min window as dead time; alone, over 30 deg.

    Source: Astrom and Hagglund 2006, section 4.4 (gain margin 2-5, phase margin 30-60 deg); python-control.
    """
    import control

    model = model_of(Construction(heater=heater, texture=TEXTURES[soil], rated_w=450.0), depth_m)
    for alone, least_deg in ((False, 45.0), (True, 30.0)):
        gains = gains_of(model, alone=alone)
        loop = soil_process(model) * pi(gains.gain_per_k, gains.integral_s) * delayed(900.0)
        margin, phase, *_ = control.margin(loop)
        assert margin > 3.0
        assert phase > least_deg
