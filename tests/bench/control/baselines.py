"""The common controllers on the bare plant, minute by minute: two-point, two-point with a slope, and PI by SIMC.

Sources: two-point with hysteresis: common practice. PI: Skogestad 2003, rules (13)-(14) for a lag fitted to the
plant's own step response, integral held by back-calculation (Astrom and Hagglund 1995, section 3.5).
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from tests.bench.control.lab_plant import AIR_PROBE, ONE, POWER, SOIL_PROBE, STEP_K, Array, Linear
from tests.bench.control.weather import STEP_S

Switch = Callable[[float, float], bool]
"""Takes the soil [Cel] and the air [Cel] as probes say them, once a minute; gives whether to heat."""
WINDOW_S = 1500.0
SLOPE_S = 1800.0
LEAD_H = 2.0


@dataclass(frozen=True, slots=True)
class Path:
    """What a run left: true soil [Cel] and contact, each minute, and the state at some minute asked for."""

    true_c: Array
    on: Array
    state: Array


def drive(linear: Linear, rows: Array, state: Array, switch: Switch, keep_at: int = 0, seed: int = 0) -> Path:
    """Run a switch over the weather's rows from a state; `keep_at` is the minute whose state is kept."""
    a, b = linear.steps(STEP_S)
    pushed = rows @ b[:, :POWER].T + b[:, ONE]
    heat = b[:, POWER] * linear.built.rated_w
    noise = np.random.default_rng(seed).normal(0.0, 0.02, (len(rows), 2))
    true_c, on, kept, heats = np.empty(len(rows)), np.zeros(len(rows), dtype=bool), state, False
    for minute, push in enumerate(pushed):
        if minute == keep_at:
            kept = state
        state = a @ state + push
        if heats:
            state += heat
        on[minute] = heats
        true_c[minute] = linear.true_row @ state
        soil_c = round((state[SOIL_PROBE] + noise[minute, 0]) / STEP_K) * STEP_K
        heats = switch(soil_c, state[AIR_PROBE] + noise[minute, 1])
    return Path(true_c, on, kept)


def two_point(set_point_c: float, band_k: float) -> Switch:
    """Return a thermostat that closes half a band below the set point and opens half a band above it."""
    heats = False

    def switch(soil_c: float, _air_c: float) -> bool:
        nonlocal heats
        if soil_c <= set_point_c - band_k / 2:
            heats = True
        elif soil_c >= set_point_c + band_k / 2:
            heats = False
        return heats

    return switch


def leading(set_point_c: float, band_k: float, lead_h: float) -> Switch:
    """Return a thermostat on the soil and some hours of its slope; the slope is taken over a filtered half hour."""
    inner = two_point(set_point_c, band_k)
    smooth_c: float | None = None
    slope = 0.0

    def switch(soil_c: float, air_c: float) -> bool:
        nonlocal smooth_c, slope
        before_c = soil_c if smooth_c is None else smooth_c
        smooth_c = before_c + (soil_c - before_c) * STEP_S / SLOPE_S
        slope += ((smooth_c - before_c) / STEP_S - slope) * STEP_S / SLOPE_S
        return inner(soil_c + lead_h * 3600.0 * slope, air_c)

    return switch


def proportional_integral(set_point_c: float, gain_per_k: float, integral_s: float) -> Switch:
    """Return a PI with back-calculation behind a time-proportioning window."""
    integral, second, on_s = 0.0, 0.0, 0.0

    def switch(soil_c: float, _air_c: float) -> bool:
        nonlocal integral, second, on_s
        error_k = set_point_c - soil_c
        wanted = gain_per_k * error_k + integral
        duty = min(max(wanted, 0.0), 1.0)
        integral += (gain_per_k * error_k + (duty - wanted) * 4.0) * STEP_S / integral_s
        if second <= 0.0:
            second, on_s = WINDOW_S, duty * WINDOW_S
        second -= STEP_S
        on_s -= STEP_S
        return on_s > -STEP_S / 2

    return switch


def simc(linear: Linear) -> tuple[float, float]:
    """Return gain [1/K] and integral time [s] by SIMC from the steepest part of the response to full power.

    The soil integrates over hours: slope k' and delay theta of the steepest tangent, closed loop as slow as the delay
    but not faster than half an hour.
    """
    a, b = linear.steps(STEP_S)
    state, rise = np.zeros(len(a)), []
    for _ in range(round(24 * 3600 / STEP_S)):
        state = a @ state + b[:, POWER] * linear.built.rated_w
        rise.append(float(state[SOIL_PROBE]))
    slopes = np.gradient(np.array(rise), STEP_S)
    steepest = int(np.argmax(slopes))
    slope = float(slopes[steepest])
    delay_s = max(steepest * STEP_S - rise[steepest] / slope, 0.0) + WINDOW_S / 2
    closed_s = max(delay_s, 1800.0)
    return 1.0 / (slope * (closed_s + delay_s)), 4.0 * (closed_s + delay_s)
