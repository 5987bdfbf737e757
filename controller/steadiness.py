"""How a probe's values move: faster than soil can, too roughly, not at all, or in steps too coarse.

Each rule looks at what the probe has said before and needs no model of the enclosure.
"""

import math
from typing import Final

from controller.safety import limits

History = tuple[tuple[float, float], ...]
"""(receipt [s], value [Cel]) of about a hundred seconds, oldest first."""

BLOCK_SPAN_S: Final = 40.0
BLOCK_MOST: Final = 4
"""Values averaged at each end: four of a 10 s probe. Noise of 0.3 K then moves the mean 0.15 K, and the difference of
two means passes 1 K once in some hundred thousand samples. Source: calculation."""

FIRST_LOOK_K: Final = 1.5 * limits.SOIL_STEP_K
"""[K] One value this far from the mean of a minute ago ends heat at once; two in a row are a fault."""

ROUGH_SPAN_S: Final = 600.0
ROUGH_LEAST: Final = 30
"""Readings over which noise is averaged at the least, however slow the probe."""

LONGEST_STRIDE_S: Final = 30.0
"""[s] Two values further apart in time differ by weather, not by noise. Source: engineering judgement."""

ROUGH_PART: Final = 1.0 / ROUGH_LEAST
ROUGH_EVERY_S: Final = ROUGH_SPAN_S / ROUGH_LEAST
"""What one reading counts at the most, and [s] from how rare a one on."""

ROUGH_CAP_K2: Final = 100.0
"""[K2] More counts as this much: one spike is no noise."""

ROUGH_K2: Final = limits.NOISIEST_K**2
CALM_K2: Final = 0.25 * ROUGH_K2
"""[K2] above which a probe is rough, and under which a rough one is calm again."""

HALF_STEPS_SURE: Final = 8
"""Changes in a row between whole halves: by chance a probe of 1/16 K does so once in 16 million."""


def block_length(period_s: float) -> int:
    """Return how many values are averaged at each end of the minute: the length of a block."""
    return max(1, min(BLOCK_MOST, round(BLOCK_SPAN_S / period_s)))


def remembered(history: History, at_s: float, value: float, period_s: float, length: int) -> History:
    """Return the history with a new value; never fewer than one block, however old."""
    oldest_s = at_s - limits.SOIL_STEP_SPAN_S - length * period_s
    first, last = 0, len(history) - length
    while first < last and history[first][0] < oldest_s:
        first += 1
    return (*history[first:], (at_s, value))


def _mean_c(block: History) -> float:
    """Return the mean value [Cel] of a block."""
    total = 0.0
    for _, value in block:
        total += value
    return total / len(block)


def _mean_s(block: History) -> float:
    """Return the mean time [s] of a block."""
    total_s = 0.0
    for at_s, _ in block:
        total_s += at_s
    return total_s / len(block)


def leapt_k(history: History, at_s: float, value: float, length: int) -> float | None:
    """Return how far a value lies from the mean of a minute ago [K], or None where that is no fault."""
    if not history:
        return None
    block = history[:length]
    moved = value - _mean_c(block)
    if abs(moved) <= FIRST_LOOK_K:
        return None
    gap_s = at_s - _mean_s(block)
    return moved if abs(moved) > FIRST_LOOK_K * max(1.0, gap_s / (1.5 * limits.SOIL_STEP_SPAN_S)) else None


def drifted_k(history: History, length: int) -> float | None:
    """Return how far the mean has moved within a minute [K], or None where that is no fault."""
    if len(history) < 2 * length:
        return None
    old, new = history[:length], history[-length:]
    moved = _mean_c(new) - _mean_c(old)
    if abs(moved) <= limits.SOIL_STEP_K:
        return None
    span_s = _mean_s(new) - _mean_s(old)
    return moved if abs(moved) > limits.SOIL_STEP_K * max(1.0, span_s / limits.SOIL_STEP_SPAN_S) else None


def roughness_k2(before: float, stride_k: float, next_stride_k: float, elapsed_s: float) -> float:
    """Return the noise [K2], remembered for about ten minutes: how far the values go back on themselves.

    Notes
    -----
    For noise alone, the product of two successive differences is minus its variance on average. A trend, or air that a
    heater warms and lets cool, goes on the way it went: there the product is positive.
    """
    weight = ROUGH_PART
    if elapsed_s < ROUGH_EVERY_S:
        weight = 0.0 if elapsed_s < 0.0 else elapsed_s / ROUGH_SPAN_S
    product = -stride_k * next_stride_k
    if not -ROUGH_CAP_K2 <= product <= ROUGH_CAP_K2:
        product = math.copysign(ROUGH_CAP_K2, product)
    after = before + weight * (product - before)
    return after if after > 0.0 else 0.0


def is_rough(roughness: float, before: bool) -> bool:
    """Whether the noise is too large to heat by; once it is, it must fall well below the limit."""
    return roughness > (CALM_K2 if before else ROUGH_K2)


def half_steps(before: int, earlier: float | None, value: float) -> int:
    """Count changes in a row between whole halves: a 9-bit probe makes no others (hazard P24)."""
    if (2.0 * value) % 1.0 != 0.0:
        return 0
    if earlier is None or value == earlier:
        return before
    return before + 1
