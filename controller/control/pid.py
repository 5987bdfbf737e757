"""The one door to simple_pid: pure, finite, with the time step given and the integral carried by the caller."""

import math
from dataclasses import dataclass

from simple_pid import PID


@dataclass(frozen=True, slots=True)
class Gains:
    """PI gains: duty per kelvin, and integral time [s]."""

    gain_per_k: float
    integral_s: float


@dataclass(frozen=True, slots=True)
class Duty:
    """Duty 0..1, the integral to carry on with, and the proportional part for explaining."""

    duty: float
    integral: float
    proportional: float


def duty_for(gains: Gains, set_point_c: float, soil_c: float, integral: float, elapsed_s: float) -> Duty:
    """Compute the duty for a soil error.

    Parameters
    ----------
    integral
        Duty carried from the step before, 0..1; 0 after a gap, a trip or a disarm.
    elapsed_s
        [s] since the step before, already capped by the caller; more than 0.

    Raises
    ------
    ValueError
        If an input is not finite: simple_pid would stay NaN for ever (trap table).
    """
    if not all(map(math.isfinite, (set_point_c, soil_c, integral, elapsed_s))):
        raise ValueError(f"set point {set_point_c}, soil {soil_c}, integral {integral}, dt {elapsed_s}: not all finite")
    pid = PID(
        gains.gain_per_k,
        gains.gain_per_k / gains.integral_s,
        0.0,
        setpoint=set_point_c,
        sample_time=None,
        output_limits=(0.0, 1.0),
        starting_output=integral,
    )
    duty = pid(soil_c, dt=elapsed_s)
    proportional, carried, _ = pid.components
    if duty is None or not math.isfinite(duty):
        raise ValueError(f"duty {duty} is not finite")
    # Back off the integral where the sum saturates, so that a cold night is not remembered into the morning.
    if (proportional + carried > 1.0 and carried > integral) or (proportional + carried < 0.0 and carried < integral):
        carried = integral
    return Duty(float(duty), float(carried), float(proportional))
