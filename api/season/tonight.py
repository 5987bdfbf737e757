"""What tonight may come to: the lowest temperature with its spread, and how likely that is below a threshold."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from api.season.night import PRIOR_SPREAD_K, PRIOR_WEIGHT, Fit, Method, NightError, blended, is_outside, minimum_c

LIKELY, POSSIBLE = 0.5, 0.1
"""Chances from which frost is called likely, and possible; below it is unlikely. A minimum told one spread above the
threshold is still "possible" (16 %): a missed frost costs more than a fleece laid in vain. Source: engineering
judgement."""


@dataclass(frozen=True, slots=True)
class Forecast:
    """The minimum expected [Cel], its spread (one standard deviation) [K], and where both come from.

    Parameters
    ----------
    freedom
        Degrees of freedom of the spread: with few nights the tails are wider.
    outside_range
        Whether the evening lies outside all the evenings learnt from.
    from_prior
        Whether too few nights of this site were known to learn from them alone.
    words
        How it was found, for a person.
    reached_c
        [Cel] what this night has come to already, None before sunset: so cold it was for certain.
    """

    minimum_c: float
    spread_k: float
    freedom: int
    outside_range: bool
    from_prior: bool
    words: str
    reached_c: float | None = None

    def is_reached(self, threshold_c: float) -> bool:
        """Whether this night has come to a threshold [Cel] already."""
        return self.reached_c is not None and self.reached_c <= threshold_c


@dataclass(frozen=True, slots=True)
class Chance:
    """The chance 0-1 that the minimum reaches a threshold [Cel], and the word for it."""

    threshold_c: float
    probability: float
    word: str


def predict(fit: Fit, t0_c: float, dew_c: float | None) -> Forecast:
    """Return tonight's minimum from air and dew point two hours after sunset [Cel].

    Raises
    ------
    NightError
        If the fit needs a dew point and there is none.
    """
    if fit.needs_dew and dew_c is None:
        raise NightError(f"{fit.method.value}: needs tonight's dew point; choose a fit with dew_known=False")
    outside = is_outside(fit.line, t0_c, dew_c)
    spread_k = max(fit.rmse_k, PRIOR_SPREAD_K) if outside else fit.rmse_k
    words = f"{fit.method.value}; {fit.nights} nights of this site; {fit.judged}"
    if outside:
        words += "; this evening is outside all of them, so the fall is taken from the nearest"
    return Forecast(minimum_c(fit.line, t0_c, dew_c), spread_k, fit.freedom, outside, fit.method is Method.PRIOR, words)


def fed(lowest_c: float, errors_k: Sequence[float] = ()) -> Forecast:
    """Return a forecast that was fed in, put right by how earlier ones erred here.

    Parameters
    ----------
    lowest_c
        [Cel] the lowest of the coming night's forecast.
    errors_k
        [K] what happened less what had been fed in, of earlier nights.
    """
    mean_k, spread_k = blended(errors_k)
    words = f"forecast fed in, put right by {mean_k:+.1f} K after {len(errors_k)} nights"
    return Forecast(
        lowest_c + mean_k, spread_k, PRIOR_WEIGHT + len(errors_k) - 1, False, len(errors_k) < PRIOR_WEIGHT, words
    )


def so_far(forecast: Forecast, lowest_c: float | None) -> Forecast:
    """Return a forecast that knows the lowest of its night so far [Cel]; one that was too warm is as unsure as that."""
    if lowest_c is None:
        return forecast
    missed_k = forecast.minimum_c - lowest_c
    return replace(
        forecast,
        minimum_c=min(forecast.minimum_c, lowest_c),
        spread_k=max(forecast.spread_k, missed_k),
        reached_c=lowest_c,
    )


def chance(forecast: Forecast, threshold_c: float) -> Chance:
    """Return the chance that the minimum is at or below a threshold [Cel], by Student's t; what has been is certain."""
    t = (threshold_c - forecast.minimum_c) / forecast.spread_k
    probability = 1.0 if forecast.is_reached(threshold_c) else below(forecast.freedom, t)
    word = "likely" if probability >= LIKELY else "possible" if probability >= POSSIBLE else "unlikely"
    return Chance(threshold_c, probability, word)


def colder_than_held(carry: Mapping[str, Any], forecast: Forecast) -> float | None:
    """Return the chance that tonight is colder than full heat can hold as things are; None where nothing is held."""
    holds_to_c = carry["nights"]["as it is"]["holds_to_c"]
    return None if holds_to_c is None else round(chance(forecast, holds_to_c).probability, 3)


def below(freedom: int, t: float) -> float:
    """Return the chance that Student's t lies below a value, for a whole number of degrees of freedom.

    Source: Abramowitz and Stegun 1964, Handbook of Mathematical Functions, 26.7.3 and 26.7.4. scipy.special would do
    it, at the price of 25 MB.
    """
    angle = math.atan2(t, math.sqrt(freedom))
    term = total = 1.0 if freedom % 2 == 0 else math.cos(angle)
    for power in range(2 + freedom % 2, freedom, 2):
        term *= (power - 1.0) / power * math.cos(angle) ** 2
        total += term
    if freedom % 2 == 0:
        return 0.5 + math.sin(angle) * total / 2.0
    return 0.5 + (angle + (math.sin(angle) * total if freedom > 1 else 0.0)) / math.pi
