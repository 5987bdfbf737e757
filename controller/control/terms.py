"""What a duty is made of: the soil's error, the weather outside, the sun, and the plan for the hours to come. Pure."""

import math
from dataclasses import dataclass
from typing import NamedTuple

MOST_SUN_W_M2 = 1200.0
"""[W/m2] no light is taken for more (the solar constant less the atmosphere, rounded up; from memory)."""


@dataclass(frozen=True, slots=True)
class FeedForward:
    """What the weather asks of the heater while the soil stands at its set point.

    Parameters
    ----------
    outside_per_k
        [1/K] duty per kelvin that the outside is colder than the set point.
    deep_per_k, deep_c
        [1/K] duty per kelvin that the ground far below, at `deep_c` [Cel], is colder.
    sun_per_w_m2
        [m2/W] duty saved per W/m2 of light, as the light probe or the stand-in for it measures.
    lag_s
        [s] after which weather is felt at the heater; a cable lies deep, an air heater stands in the air.
    """

    outside_per_k: float
    deep_per_k: float
    deep_c: float
    sun_per_w_m2: float
    lag_s: float


class Terms(NamedTuple):
    """Duty by cause: the sum of the first three, kept within 0..1, and what the plan adds to it."""

    feedback: float = 0.0
    outside: float = 0.0
    sun: float = 0.0
    plan: float = 0.0

    @property
    def weather(self) -> float:
        """What outside and sun ask for together."""
        return self.outside + self.sun


def followed(
    before: Terms | None,
    forward: FeedForward,
    set_point_c: float,
    outside_c: float | None,
    sun_w_m2: float | None,
    elapsed_s: float,
) -> Terms:
    """Return the weather's terms now, following what is measured with the lag of the soil.

    Parameters
    ----------
    before
        The terms of the step before, or None when control starts afresh: then there is nothing to lag behind.
    outside_c, sun_w_m2
        [Cel] and [W/m2], or None where nothing believable measures them: that term fades out, the other stays.
    """
    outside, sun = 0.0, 0.0
    if outside_c is not None:
        outside = forward.outside_per_k * (set_point_c - outside_c) + forward.deep_per_k * (
            set_point_c - forward.deep_c
        )
        outside = min(max(outside, 0.0), 1.0)
    if sun_w_m2 is not None:
        sun = -min(forward.sun_per_w_m2 * min(max(sun_w_m2, 0.0), MOST_SUN_W_M2), 1.0)
    if before is None:
        return Terms(outside=outside, sun=sun)
    share = 1.0 - math.exp(-elapsed_s / max(forward.lag_s, 1.0))
    return Terms(
        outside=before.outside + (outside - before.outside) * share, sun=before.sun + (sun - before.sun) * share
    )


def with_plan(weather: Terms, feedback: float, planned: float | None) -> Terms:
    """Return all terms: the plan's is whatever it changes about the duty of the others."""
    alone = min(max(feedback + weather.weather, 0.0), 1.0)
    return Terms(feedback, weather.outside, weather.sun, 0.0 if planned is None else planned - alone)
