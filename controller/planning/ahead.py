"""The weather of the coming hours: from an outlook where there is one, else as yesterday."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from controller.control.log import Log
from controller.control.outlook import Outlook
from controller.control.stepping import Array
from controller.plant.sun import clear_sky_ghi_w_m2, solar_position_at

DAY_S = 86_400.0
CARRIES_S = 12 * 3600.0
"""[s] in which today's difference, to yesterday or to a forecast, fades (engineering judgement)."""
NOW_S = 1800.0
HOUR_MS = 3_600_000
LONGEST_SILENCE_MS = 6 * HOUR_MS
"""[ms] between two words of an outlook over which a straight line still stands for weather: a longer one hides a night
(engineering judgement)."""
CLEAR_DAYS = 2
HIGH_SUN_W_M2 = 50.0
BLOCK = 48


@dataclass(frozen=True, slots=True)
class Place:
    """Where the enclosure is [deg], and what part of outdoor light its light probe sees."""

    latitude: float
    longitude: float
    light_share: float = 1.0


@dataclass(frozen=True, slots=True)
class WeatherAhead:
    """Outside [Cel] and light [W/m2] as the light probe would see it, per step."""

    outside_c: Array
    light_w_m2: Array


def weather_ahead(log: Log, outlook: Outlook, place: Place, step_s: float, steps: int) -> WeatherAhead:
    """Return the weather expected after the end of a log of a day or more, whose outside has no gaps."""
    middles_s: Array = np.asarray((np.arange(steps) + 0.5) * step_s, dtype=np.float64)
    at_ms = log.ends_ms + 1000.0 * middles_s
    outside_c = _as_yesterday(log, middles_s)
    light = _clear_w_m2(log.ends_ms + round(500 * step_s), round(1000 * step_s), steps, place) * _clearness(log, place)
    told = _from_now(outlook, log.ends_ms)
    if told:
        said = np.interp(at_ms, [each.at_ms for each in told], [each.outside_c for each in told])
        said += _missed_now_k(log, told) * np.exp(-middles_s / CARRIES_S)
        outside_c = np.where(_within(at_ms, told), said, outside_c)
    lit = [each for each in told if each.light_w_m2 is not None]
    if lit:
        lights = np.interp(at_ms, [each.at_ms for each in lit], [each.light_w_m2 or 0.0 for each in lit])
        light = np.where(_within(at_ms, lit), lights * place.light_share, light)
    return WeatherAhead(outside_c, light)


def _from_now(outlook: Outlook, ends_ms: int) -> Outlook:
    """Return what an outlook says of now and later: from its last word before that on, be it some hours old."""
    begun = sum(each.at_ms <= ends_ms - 500 * NOW_S for each in outlook)
    return outlook[max(begun - 1, 0) :]


def _within(at_ms: Array, told: Outlook) -> Array:
    """Return of which instants an outlook speaks: of the hour before its first word as well, not of a long silence."""
    words_ms = np.array([told[0].at_ms - HOUR_MS, *(each.at_ms for each in told)])
    after = np.clip(np.searchsorted(words_ms, at_ms), 1, len(told))
    apart_ms = words_ms[after] - words_ms[after - 1]
    return np.asarray((at_ms >= words_ms[0]) & (at_ms <= words_ms[-1]) & (apart_ms <= LONGEST_SILENCE_MS))


def _missed_now_k(log: Log, told: Outlook) -> float:
    """[K] Return how much warmer it is outside than the outlook has it for now; 0 where it says nothing of now."""
    now_ms = log.ends_ms - 500.0 * NOW_S
    if told[0].at_ms > log.ends_ms or not _within(np.array([now_ms]), told).any():
        return 0.0
    recent = log.latest(NOW_S)
    said_c = np.interp(now_ms, [each.at_ms for each in told], [each.outside_c for each in told])
    return float(recent.outside_c.mean() - said_c)


def _as_yesterday(log: Log, middles_s: Array) -> Array:
    """Return the outside of the same hours a day before, moved by today's difference, which fades."""
    day = round(DAY_S / log.step_s)
    back_s = middles_s - DAY_S * np.ceil(middles_s / DAY_S)
    then = np.interp(len(log) - 1 + back_s / log.step_s, np.arange(len(log)), log.outside_c)
    moved = 0.0 if len(log) <= day else log.outside_c[-1] - log.outside_c[-1 - day]
    return np.asarray(then + moved * np.exp(-middles_s / CARRIES_S))


def _clearness(log: Log, place: Place) -> float:
    """Return light seen over the clear sky's, of the last two days."""
    recent = log.latest(CLEAR_DAYS * DAY_S)
    clear, light = clear_w_m2(recent, place), recent.light_w_m2
    bright = (clear > HIGH_SUN_W_M2) & np.isfinite(light)
    return (
        float(np.clip(light[bright].sum() / clear[bright].sum(), 0.05, 1.1))
        if bright.any()
        else 0.5 * place.light_share
    )


def clear_w_m2(log: Log, place: Place) -> Array:
    """Return the light [W/m2] of a clear sky in the middle of every step of a log."""
    step_ms = round(1000 * log.step_s)
    return _clear_w_m2(log.ends_ms - step_ms * len(log) + step_ms // 2, step_ms, len(log), place)


def _clear_w_m2(first_ms: int, step_ms: int, steps: int, place: Place) -> Array:
    """Return it at so many instants from one on, put together from blocks that plans half an hour apart share."""
    before, offset_ms = divmod(first_ms, step_ms)
    first, skipped = divmod(before, BLOCK)
    blocks = range(first, (before + steps - 1) // BLOCK + 1)
    told = [_clear_block_w_m2(each, offset_ms, step_ms, place) for each in blocks]
    return np.concatenate(told)[skipped : skipped + steps]


@lru_cache(maxsize=64)
def _clear_block_w_m2(number: int, offset_ms: int, step_ms: int, place: Place) -> Array:
    at_ms = range(number * BLOCK * step_ms + offset_ms, (number + 1) * BLOCK * step_ms, step_ms)
    return np.array([clear_sky_ghi_w_m2(solar_position_at(ms, place.latitude, place.longitude)[0]) for ms in at_ms])
