"""How long the day is, and the hours of a day of which only the lowest and highest temperature are known."""

import numpy as np

from api.season.hours import Array, WakingError

RIM_DEG = -0.8333
"""[deg] height of the sun's centre as its upper rim rises, with refraction. Source: common practice in the field."""

LAG_H = 4.0
"""[h] by which the curve of the day is longer than the day: warmest two hours after noon. Source: Linvill 1990."""


def sunrise_and_sunset_h(latitude: float, day_of_year: Array) -> tuple[Array, Array]:
    """Return when the sun rises and sets [h of the sun's own clock, noon at 12].

    Parameters
    ----------
    latitude
        [deg] north positive.
    day_of_year
        1 on 1 January, up to 366.

    Notes
    -----
    A sun that does not set rises at 0 and sets at 24; one that does not rise does both at 12.

    Source: Spencer 1971, Search 2(5):172 (declination as a Fourier series).
    """
    if not -90.0 <= latitude <= 90.0:
        raise WakingError(f"latitude {latitude:g} deg is outside -90 to 90; north is positive, south negative")
    phi, declination = np.radians(latitude), _declination(np.asarray(day_of_year, dtype=float))
    wide = np.sin(np.radians(RIM_DEG)) - np.sin(phi) * np.sin(declination)
    half_h = np.degrees(np.arccos(np.clip(wide / (np.cos(phi) * np.cos(declination)), -1.0, 1.0))) / 15.0
    return 12.0 - half_h, 12.0 + half_h


def day_length_h(latitude: float, day_of_year: Array) -> Array:
    """Return the time between sunrise and sunset [h]; see `sunrise_and_sunset_h`."""
    rise_h, set_h = sunrise_and_sunset_h(latitude, day_of_year)
    return set_h - rise_h


def hourly_c(lowest_c: Array, highest_c: Array, day_of_year: Array, latitude: float) -> Array:
    """Return the temperature [Cel] at hours 0 to 23 of each of a row of days, by the sun's own clock.

    Parameters
    ----------
    lowest_c, highest_c
        [Cel], one per day, days in a row; NaN where missing, and then the hours that hang on that day are NaN.
    day_of_year, latitude
        As for `sunrise_and_sunset_h`.

    Raises
    ------
    WakingError
        If a day's lowest is above its highest, or the sun does not both rise and set.

    Notes
    -----
    By day a sine from the lowest at sunrise, after sunset a logarithmic fall to the next day's lowest at its sunrise.
    Before the first day stands a day like it, and after the last one.

    Source: Linvill 1990, HortScience 25:14-16.
    """
    _refuse(lowest_c, highest_c)
    rise_h, set_h = sunrise_and_sunset_h(latitude, day_of_year)
    if np.any((set_h - rise_h <= 0.0) | (set_h - rise_h >= 24.0)):
        raise WakingError(f"at latitude {latitude:g} deg the sun does not rise and set every day; give hourly readings")
    height = (highest_c - lowest_c)[:, None]
    long_h = (set_h - rise_h)[:, None] + LAG_H
    evening_c = lowest_c + height[:, 0] * np.sin(np.pi * (set_h - rise_h) / long_h[:, 0])
    hour = np.arange(24.0)[None, :]
    day = lowest_c[:, None] + height * np.sin(np.pi * (hour - rise_h[:, None]) / long_h)
    before, after = (
        _fall(hour + 24.0, _earlier(set_h), rise_h, _earlier(evening_c), lowest_c),
        _fall(hour, set_h, _later(rise_h), evening_c, _later(lowest_c)),
    )
    return np.where(hour < rise_h[:, None], before, np.where(hour > set_h[:, None], after, day)).ravel()


def _fall(hour: Array, set_h: Array, next_rise_h: Array, evening_c: Array, next_lowest_c: Array) -> Array:
    """Return the night's temperature at hours of the day whose sun had set."""
    night_h = 24.0 - (set_h - next_rise_h)
    since_h = np.maximum(hour - set_h[:, None], 0.0)
    share = np.log(since_h + 1.0) / np.log(night_h + 1.0)[:, None]
    return evening_c[:, None] - (evening_c - next_lowest_c)[:, None] * share


def _earlier(values: Array) -> Array:
    return np.concatenate([values[:1], values[:-1]])


def _later(values: Array) -> Array:
    return np.concatenate([values[1:], values[-1:]])


def _refuse(lowest_c: Array, highest_c: Array) -> None:
    wrong = np.flatnonzero(lowest_c > highest_c)
    if len(wrong):
        one = wrong[0]
        raise WakingError(
            f"day {one + 1} of the row: lowest {lowest_c[one]:g} Cel is above highest {highest_c[one]:g}; are the"
            " columns exchanged?"
        )


def _declination(day_of_year: Array) -> Array:
    """Return the sun's declination [rad]. Source: Spencer 1971, Search 2(5):172."""
    turn = 2.0 * np.pi * (day_of_year - 1.0) / 365.0
    return np.asarray(
        0.006918
        - 0.399912 * np.cos(turn)
        + 0.070257 * np.sin(turn)
        - 0.006758 * np.cos(2 * turn)
        + 0.000907 * np.sin(2 * turn)
        - 0.002697 * np.cos(3 * turn)
        + 0.00148 * np.sin(3 * turn)
    )
