"""The one door to simple_pid: pure, finite, with the time step given and the integral carried by the caller."""

import math
from dataclasses import dataclass
from typing import NamedTuple

from simple_pid import PID

MOST_TRACKED = 3.0
"""Highest integral that tracks: the sun's whole term, and 2 K above a set point at the steepest gain, may lie below."""
FIRMLY = 0.05
"""Duty beyond all there is: more than one step of 1/16 K of a probe makes at the gains that occur."""


@dataclass(frozen=True, slots=True)
class Gains:
    """PI gains: duty per kelvin, and integral time [s].

    Parameters
    ----------
    tracking_s
        [s] in which the integral makes up for what saturation cuts off the sum; None: it stands meanwhile, which is
        enough where the weather has terms of its own.
    """

    gain_per_k: float
    integral_s: float
    tracking_s: float | None = None


class Duty(NamedTuple):
    """Duty 0..1, the integral to carry on with, and the proportional part for explaining."""

    duty: float
    integral: float
    proportional: float


def duty_for(
    gains: Gains, set_point_c: float, soil_c: float, integral: float, elapsed_s: float, ahead: float = 0.0
) -> Duty:
    """Compute the duty for a soil error.

    Parameters
    ----------
    integral
        Duty carried from the step before; 0 after a gap, a trip or a disarm.
    elapsed_s
        [s] since the step before, already capped by the caller; more than 0.
    ahead
        Duty from everything that does not wait for an error: weather and plan.

    Raises
    ------
    ValueError
        If an input is not finite: simple_pid would stay NaN for ever (trap table).
    """
    if not math.isfinite(set_point_c + soil_c + integral + elapsed_s + ahead):
        named = f"set point {set_point_c}, soil {soil_c}, integral {integral}, dt {elapsed_s}, ahead {ahead}"
        raise ValueError(f"{named}: not all finite")
    pid = PID(
        gains.gain_per_k,
        gains.gain_per_k / gains.integral_s,
        0.0,
        setpoint=set_point_c,
        sample_time=None,
        starting_output=integral,
    )
    feedback = pid(soil_c, dt=elapsed_s)
    proportional, carried, _ = pid.components
    if feedback is None or not math.isfinite(feedback):
        raise ValueError(f"duty {feedback} is not finite")
    wanted = feedback + ahead
    duty = min(max(wanted, 0.0), 1.0)
    return Duty(duty, _held(gains, wanted, integral, float(carried), elapsed_s), float(proportional))


def _held(gains: Gains, wanted: float, before: float, carried: float, elapsed_s: float) -> float:
    """Return the integral to carry on with.

    simple_pid would bound its own sum alone. Where the whole sum saturates, the integral stands, so that neither a cold
    night nor a sunny noon is remembered into the next half day. At full heat it goes a little further first, so that a
    probe's last digit does not shake a saturated duty. An integral that tracks makes heat begin a little before soil
    that the sun has warmed is down at its set point; where it may track no more it begins afresh.

    Source: Astrom and Hagglund 1995, section 3.5, back-calculation.
    """
    if gains.tracking_s is not None:
        cut_off = min(max(wanted, 0.0), 1.0) - wanted
        return min(max(carried + cut_off * min(elapsed_s / gains.tracking_s, 1.0), -MOST_TRACKED), MOST_TRACKED)
    if abs(before) > 1.0:
        return 0.0
    if (wanted > 1.0 + FIRMLY and carried > before) or (wanted < 0.0 and carried < before):
        carried = before
    return min(max(carried, -1.0), 1.0)
