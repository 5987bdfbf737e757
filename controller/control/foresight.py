"""What the planner thinks of the hours to come, and how far control follows it. Pure."""

from dataclasses import dataclass

from controller.control.tuned import Tuned

BELIEVED_S = 3 * 3600.0
"""[s] A plan this old is not followed: the planner has fallen silent. Source: engineering judgement."""
TAKEN_AFTER_S = 120.0
"""[s] A plan holds from so long after its start: on disk by then, and taken at one known instant (for replays)."""
ASTRAY_K = 1.5
"""[K] Soil this far from where the plan thought it would be: it is not followed. Source: engineering judgement."""
MOVED_K = 0.5
"""[K] A set point this far from the one planned for is another set point. Source: engineering judgement."""
COLD_K = 1.0
"""[K] Soil this far below its set point: a plan may add heat but not withhold it. Source: engineering judgement."""


@dataclass(frozen=True, slots=True)
class Foresight:
    """Duty and soil expected, step by step from `starts_ms` [ms UTC], and the figures of the model behind them.

    Parameters
    ----------
    step_s
        [s] length of a step.
    duty, set_point_c
        Per step: heat 0..1, and the set point it was planned for [Cel].
    soil_c
        [Cel] at the start and at the end of every step: one more than there are steps.
    outside_c, light_w_m2
        Expected per step, [Cel] and [W/m2].
    tuned
        The model behind it and what follows from it for weather and feedback; None keeps what geometry says.
    """

    starts_ms: int
    step_s: float
    duty: tuple[float, ...]
    soil_c: tuple[float, ...]
    set_point_c: tuple[float | None, ...]
    outside_c: tuple[float, ...] = ()
    light_w_m2: tuple[float, ...] = ()
    tuned: Tuned | None = None


def planned_duty(foresight: Foresight | None, at_ms: int, asked_c: float, soil_c: float, alone: float) -> float | None:
    """Return the duty that the plan has for this instant, bounded; None where there is no plan to follow.

    Parameters
    ----------
    asked_c, soil_c
        [Cel] set point asked for and soil as it is.
    alone
        Duty 0..1 without the plan.
    """
    if foresight is None:
        return None
    since_s = (at_ms - foresight.starts_ms) / 1000.0
    step = int(since_s // foresight.step_s)
    if not 0.0 <= since_s < BELIEVED_S or step >= len(foresight.duty):
        return None
    begin_c, end_c = foresight.soil_c[step : step + 2]
    thought_c = begin_c + (end_c - begin_c) * (since_s / foresight.step_s - step)
    planned_c = foresight.set_point_c[step]
    if planned_c is None or abs(asked_c - planned_c) > MOVED_K or abs(soil_c - thought_c) > ASTRAY_K:
        return None
    planned = min(max(foresight.duty[step], 0.0), 1.0)
    return max(planned, alone) if soil_c < asked_c - COLD_K else planned
