"""How much warmth a plant has had, by each of the published counts: degree days and growing degree hours.

Notes
-----
The upper bound is a horizontal cut-off: warmer than that, growth goes on at the rate it has there. What is missing
(NaN) counts nothing. Degree days by day take the day's lowest and highest; by hour, gaps up to 3 h are bridged.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from api.season.alarm import Basis
from api.season.hours import Array, WakingError, bridged


@dataclass(frozen=True, slots=True)
class Bounds:
    """Temperatures [Cel] between which warmth counts, above which there is none (growing degree hours), and why."""

    base_c: float
    upper_c: float = math.inf
    critical_c: float = math.inf
    basis: Basis = Basis.ASSUMPTION
    words: str = "set by hand"

    def __post_init__(self) -> None:
        if not (math.isfinite(self.base_c) and self.base_c < self.upper_c <= self.critical_c):
            raise WakingError(
                f"base {self.base_c:g}, upper {self.upper_c:g} and critical {self.critical_c:g} Cel: each must be above"
                " the one before; leave out what is not known"
            )


TEN = Bounds(
    10.0,
    basis=Basis.COMMON_PRACTICE,
    words="10 Cel is the usual base of subtropical fruit and vines; for fig none is published, nor an upper bound",
)
FOUR_TO_36 = Bounds(
    4.0, 25.0, 36.0, Basis.SOURCE, "Anderson, Richardson and Kesner 1986, measured on fruit trees, not on fig"
)
RICHARDSON = Bounds(4.5, 25.0, basis=Basis.SOURCE, words="Richardson et al. 1975 (from memory), on peach, not on fig")


@dataclass(frozen=True, slots=True)
class HeatMethod:
    """A count of warmth: what a person reads, its unit, source and usual bounds, and how it counts.

    Notes
    -----
    Either `per_hour` (hours in a row) or `per_day` (lowest, highest, next day's lowest) is there; all [Cel].
    """

    name: str
    words: str
    unit: str
    source: str
    usual: Bounds
    per_day: Callable[[Array, Array, Array, Bounds], Array] | None = None
    per_hour: Callable[[Array, Bounds], Array] | None = None


def simple_mean(lowest_c: Array, highest_c: Array, _next_c: Array, bounds: Bounds) -> Array:
    """Return degree days [Cel d] of the day's mean, cut to the bounds: McMaster and Wilhelm's method 1."""
    return _known(np.clip((lowest_c + highest_c) / 2.0, bounds.base_c, bounds.upper_c) - bounds.base_c)


def simple_cut(lowest_c: Array, highest_c: Array, _next_c: Array, bounds: Bounds) -> Array:
    """Return degree days [Cel d] of lowest and highest, each cut to the bounds first: their method 2."""
    low, high = (np.clip(each, bounds.base_c, bounds.upper_c) for each in (lowest_c, highest_c))
    return _known((low + high) / 2.0 - bounds.base_c)


def single_sine(lowest_c: Array, highest_c: Array, _next_c: Array, bounds: Bounds) -> Array:
    """Return degree days [Cel d] under one sine through lowest and highest."""
    return _between(_sine_above, lowest_c, highest_c, bounds)


def double_sine(lowest_c: Array, highest_c: Array, next_c: Array, bounds: Bounds) -> Array:
    """Return degree days [Cel d] under half a sine to each of this day's and the next day's lowest."""
    return _halves(_sine_above, lowest_c, highest_c, next_c, bounds)


def single_triangle(lowest_c: Array, highest_c: Array, _next_c: Array, bounds: Bounds) -> Array:
    """Return degree days [Cel d] under straight lines between lowest and highest."""
    return _between(_triangle_above, lowest_c, highest_c, bounds)


def double_triangle(lowest_c: Array, highest_c: Array, next_c: Array, bounds: Bounds) -> Array:
    """Return degree days [Cel d] under straight lines from this day's lowest up and down to the next day's."""
    return _halves(_triangle_above, lowest_c, highest_c, next_c, bounds)


def hourly_degree_days(hourly_c: Array, bounds: Bounds) -> Array:
    """Return what each hour gives [Cel d]: a twenty-fourth of its warmth between the bounds."""
    return _known(np.clip(bridged(hourly_c), bounds.base_c, bounds.upper_c) - bounds.base_c) / 24.0


def degree_hours(hourly_c: Array, bounds: Bounds = FOUR_TO_36) -> Array:
    """Return each hour's growing degree hours [Cel h], rising to the upper bound and falling to the critical one.

    Source: Anderson, Richardson and Kesner 1986, Acta Horticulturae 184:71-78 (ASYMCUR, stress factor 1).
    """
    if not math.isfinite(bounds.critical_c):
        raise WakingError("growing degree hours need an upper and a critical temperature; give both, as 25 and 36 Cel")
    air_c, height = bridged(hourly_c), bounds.upper_c - bounds.base_c
    rising = height / 2.0 * (1.0 + np.cos(np.pi + np.pi * (air_c - bounds.base_c) / height))
    above = (air_c - bounds.upper_c) / (bounds.critical_c - bounds.upper_c)
    falling = height * (1.0 + np.cos(np.pi / 2.0 + np.pi / 2.0 * above))
    curve = np.where(air_c <= bounds.upper_c, rising, falling)
    return _known(np.where((air_c >= bounds.base_c) & (air_c <= bounds.critical_c), curve, 0.0))


def linear_degree_hours(hourly_c: Array, bounds: Bounds = RICHARDSON) -> Array:
    """Return each hour's growing degree hours [Cel h], straight from base to upper bound and level above it."""
    return _known(np.clip(bridged(hourly_c), bounds.base_c, bounds.upper_c) - bounds.base_c)


def linear_degree_hours_none_above(hourly_c: Array, bounds: Bounds = RICHARDSON) -> Array:
    """Return the same with nothing above the upper bound, as some read the source."""
    return np.where(bridged(hourly_c) > bounds.upper_c, 0.0, linear_degree_hours(hourly_c, bounds))


def _sine_above(lowest_c: Array, highest_c: Array, bound_c: float) -> Array:
    """Return the mean height [K] of a day's sine above a bound."""
    middle_c, half_k = (highest_c + lowest_c) / 2.0, (highest_c - lowest_c) / 2.0
    share = np.divide(bound_c - middle_c, half_k, out=np.sign(bound_c - middle_c), where=half_k > 0.0)
    angle = np.arcsin(np.clip(share, -1.0, 1.0))
    height_k = ((middle_c - bound_c) * (np.pi / 2.0 - angle) + half_k * np.cos(angle)) / np.pi
    return np.where(lowest_c >= bound_c, middle_c - bound_c, np.where(highest_c <= bound_c, 0.0, height_k))


def _triangle_above(lowest_c: Array, highest_c: Array, bound_c: float) -> Array:
    """Return the mean height [K] of a day's straight lines above a bound."""
    above_k, range_k = np.maximum(highest_c - bound_c, 0.0), highest_c - lowest_c
    height_k = np.divide(above_k**2, 2.0 * range_k, out=np.zeros_like(above_k), where=range_k > 0.0)
    return np.where(lowest_c >= bound_c, (highest_c + lowest_c) / 2.0 - bound_c, height_k)


def _between(above: Callable[[Array, Array, float], Array], low_c: Array, high_c: Array, bounds: Bounds) -> Array:
    wrong = np.flatnonzero(low_c > high_c)
    if len(wrong):
        pair = f"{low_c[wrong[0]]:g} above highest {high_c[wrong[0]]:g}"
        raise WakingError(f"day {wrong[0] + 1} of the row: lowest {pair} Cel; are the columns exchanged?")
    total = above(low_c, high_c, bounds.base_c)
    if math.isfinite(bounds.upper_c):
        total = total - above(low_c, high_c, bounds.upper_c)
    return _known(total)


def _halves(
    above: Callable[[Array, Array, float], Array], low_c: Array, high_c: Array, next_c: Array, bounds: Bounds
) -> Array:
    """Return half of each side of the highest; where the next day is missing, this day's lowest stands for it.

    A night warmer than the day before it counts as warm as that day: a front has no place in a daily curve.
    """
    next_low_c = np.minimum(np.where(np.isfinite(next_c), next_c, low_c), high_c)
    return (_between(above, low_c, high_c, bounds) + _between(above, next_low_c, high_c, bounds)) / 2.0


def _known(values: Array) -> Array:
    return np.where(np.isfinite(values), values, 0.0)


_SIMPLE = "McMaster and Wilhelm 1997, Agric. For. Meteorol. 87:291-300"
_SINE = "Baskerville and Emin 1969, Ecology 50:514-517; Zalom et al. 1983, UC Leaflet 21373"
_TRIANGLE = "Zalom et al. 1983, UC Leaflet 21373"
_CURVE = "Anderson, Richardson and Kesner 1986, Acta Horticulturae 184:71-78"
_LINE = "Richardson et al. 1975 (from memory)"
_DAYS, _HOURS = "Cel d", "Cel h"

METHODS = {
    method.name: method
    for method in (
        HeatMethod("mean", "degree days of the day's mean (method 1)", _DAYS, _SIMPLE, TEN, simple_mean),
        HeatMethod("cut", "degree days of lowest and highest, cut first (method 2)", _DAYS, _SIMPLE, TEN, simple_cut),
        HeatMethod("sine", "degree days under one sine", _DAYS, _SINE, TEN, single_sine),
        HeatMethod("double-sine", "degree days under two half sines", _DAYS, _SINE, TEN, double_sine),
        HeatMethod("triangle", "degree days under one triangle", _DAYS, _TRIANGLE, TEN, single_triangle),
        HeatMethod("double-triangle", "degree days under two triangles", _DAYS, _TRIANGLE, TEN, double_triangle),
        HeatMethod("hours", "degree days hour by hour", _DAYS, "definition", TEN, per_hour=hourly_degree_days),
        HeatMethod(
            "degree-hours", "growing degree hours on a curve", _HOURS, _CURVE, FOUR_TO_36, per_hour=degree_hours
        ),
        HeatMethod(
            "linear-degree-hours",
            "growing degree hours on a line, level above the upper bound",
            _HOURS,
            _LINE,
            RICHARDSON,
            per_hour=linear_degree_hours,
        ),
        HeatMethod(
            "linear-degree-hours-none-above",
            "growing degree hours on a line, none above the upper bound",
            _HOURS,
            _LINE,
            RICHARDSON,
            per_hour=linear_degree_hours_none_above,
        ),
    )
}
"""Every count by the name that settings choose it by."""
