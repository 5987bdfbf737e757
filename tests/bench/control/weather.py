"""Spring fortnights by seed, two hard ones, one of Newark's; and forecasters that err as forecasts do."""

import math
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import lru_cache

import numpy as np

from controller.control.outlook import Expectation, Forecaster, Outlook
from controller.plant.weather import DAY_MS, HOUR_MS, SpringWeather, Weather
from tests import newark
from tests.bench.control.lab_plant import Array

STEP_S = 60.0
WARM_UP_DAYS, JUDGED_DAYS, RUN_OUT_DAYS = 3, 14, 2
DAYS = WARM_UP_DAYS + JUDGED_DAYS + RUN_OUT_DAYS
CLEAR_SKY_K = 15.0
"""[K] a clear sky is colder than the air; a full cloud cover takes most of it away."""
HOURS_AHEAD = 48
ISSUED_EVERY_H = 6
SPREAD_K = 1.5
"""[K] standard deviation of a forecast's error two days ahead."""
NAMED = ("hot", "freezing", "newark")
"""Fortnights never seen while tuning."""


@dataclass(frozen=True, slots=True)
class Fortnight:
    """A stretch of weather: rows of outside [Cel], sky [K colder], sun [W/m2] each minute, and where and when."""

    rows: Array
    start_ms: int
    place: tuple[float, float]
    seed: int


@lru_cache(maxsize=32)
def fortnight(which: int | str) -> Fortnight:
    """Return a fortnight by seed, or one of `NAMED`; raises KeyError at any other name."""
    if isinstance(which, str) and which not in NAMED:
        raise KeyError(f"no fortnight {which!r}; there are {', '.join(NAMED)}")
    if which == "newark":
        start_ms = newark.START_MS + 14 * DAY_MS
        return _laid_out(newark.weather(), start_ms, (newark.LATITUDE, newark.LONGITUDE), 0)
    seed = which if isinstance(which, int) else 900
    draw = np.random.default_rng(1000 + seed)
    latitude, longitude = float(draw.uniform(47.0, 53.0)), float(draw.uniform(-3.0, 12.0))
    day = {"hot": 110, "freezing": 20}.get(str(which), 55 + int(draw.integers(0, 42)))
    snap = {"hot": None, "freezing": (5.0, 12.0, 9.0)}.get(str(which), _snap(draw))
    start_ms = round(datetime(2026, 1, 1, tzinfo=UTC).timestamp() * 1000) + (day - 1) * DAY_MS
    spring = SpringWeather(seed, latitude, longitude, start_ms, season_day=float(day), cold_snap=snap)
    return _laid_out(spring, start_ms, (latitude, longitude), seed)


def _snap(draw: np.random.Generator) -> tuple[float, float, float] | None:
    first, lasts, kelvin = float(draw.uniform(4, 12)), float(draw.uniform(1.5, 3.5)), float(draw.uniform(3, 7))
    return (first, first + lasts, kelvin)


def _laid_out(weather: Weather, start_ms: int, place: tuple[float, float], seed: int) -> Fortnight:
    """Ask the weather every ten minutes and draw straight lines between."""
    coarse_s = np.arange(0, DAYS * 86_400 + 600, 600)
    asked = [weather.at(start_ms + int(each) * 1000) for each in coarse_s]
    columns = (
        [each.outside_c for each in asked],
        [CLEAR_SKY_K * (1.0 - 0.85 * each.cloud**2) for each in asked],
        [each.ghi_w_m2 for each in asked],
    )
    fine_s = np.arange(0, DAYS * 86_400, STEP_S)
    rows = np.column_stack([np.interp(fine_s, coarse_s, column) for column in columns])
    return Fortnight(rows, start_ms, place, seed)


def forecaster(of: Fortnight, bias_k: float = 0.0, grows: float = 1.0) -> Forecaster:
    """Return forecasts issued every six hours for two days, with an error that wanders and grows.

    Parameters
    ----------
    bias_k
        [K] by which all of them are wrong besides.
    grows
        0 makes them perfect.
    """
    hours = of.rows[: len(of.rows) // 60 * 60].reshape(-1, 60, 3).mean(axis=1)

    @lru_cache(maxsize=4)
    def issued(number: int) -> Outlook:
        draw = np.random.default_rng((of.seed, number, 7))
        wander = np.cumsum(draw.normal(0.0, 1.0, HOURS_AHEAD)) / math.sqrt(HOURS_AHEAD)
        cloudy = np.cumsum(draw.normal(0.0, 1.0, HOURS_AHEAD)) / math.sqrt(HOURS_AHEAD)
        first = number * ISSUED_EVERY_H
        known = hours[first : first + HOURS_AHEAD]
        outside_c = known[:, 0] + grows * SPREAD_K * wander[: len(known)] + bias_k
        light = known[:, 2] * np.clip(np.exp(0.4 * grows * cloudy[: len(known)]), 0.3, 1.6)
        return tuple(
            Expectation(of.start_ms + (first + hour) * HOUR_MS + HOUR_MS // 2, float(outside), float(sun))
            for hour, (outside, sun) in enumerate(zip(outside_c, light, strict=True))
        )

    return lambda at_ms: issued(max((at_ms - of.start_ms) // (ISSUED_EVERY_H * HOUR_MS), 0))


FORECASTS: dict[str, Callable[[Fortnight], Forecaster | None]] = {
    "usual": forecaster,
    "perfect": lambda of: forecaster(of, grows=0.0),
    "5 K wrong": lambda of: forecaster(of, bias_k=5.0),
    "none": lambda _: None,
}
