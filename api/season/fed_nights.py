"""What a forecast fed in said of each night, kept to be compared with what the night was; and one typed in."""

import sqlite3
from collections.abc import Sequence

from api.season.forecast import Told
from api.season.night_course import course_c
from api.season.nights import EVENING_MS, MORNING_MS, Dark
from api.season.site_night import coming_night
from api.season.sky import put_sky
from api.state import State
from controller.control.outlook import Expectation
from controller.store import forecast
from controller.store.connection import transaction

NIGHTS_AHEAD = 3
DAY_MS, HOUR_MS = 86_400_000, 3_600_000
WARMER_NOW_K = 6.0
"""[K] above the lowest typed in that air is taken to be now, where no probe tells. Source: engineering judgement."""


def take_forecast(state: State, told: Told, now_ms: int, who: str) -> None:
    """Keep a forecast in place of the one before, and what it says of each coming night."""

    def keep(connection: sqlite3.Connection) -> None:
        with transaction(connection):
            forecast.put(connection, told.expected, now_ms, who)
            put_sky(connection, told.sky)

    state.season.do(keep)
    note_nights(state, told.expected, now_ms)


def note_nights(state: State, expected: Sequence[Expectation], now_ms: int) -> None:
    """Keep the lowest that a forecast gives for each coming night it covers; the last word before sunset stands."""
    site = state.settings.site
    for ahead in range(NIGHTS_AHEAD):
        dark = coming_night(now_ms + ahead * DAY_MS, site.latitude, site.longitude)
        if dark is None or now_ms >= dark.sunset_ms:
            continue
        told = [each for each in expected if dark.sunset_ms <= each.at_ms <= dark.sunrise_ms + MORNING_MS]
        if told and expected[-1].at_ms >= dark.sunrise_ms:
            state.season.do(forecast.put_night, dark.on.isoformat(), min(each.outside_c for each in told), now_ms)


def typed_in(dark: Dark, now_ms: int, now_c: float | None, lowest_c: float) -> list[Expectation]:
    """Return a night's hours that end at the lowest typed in [Cel]: straight to two hours after sunset, then as air
    falls on a clear night, an hour more at the lowest, and up again.

    Source: for the course see `night_course`; the rest is engineering judgement.
    """
    begin_c = max(now_c if now_c is not None else lowest_c + WARMER_NOW_K, lowest_c)
    evening_ms, night_h = dark.sunset_ms + EVENING_MS, (dark.sunrise_ms - dark.sunset_ms) / HOUR_MS
    t0_c = begin_c - (begin_c - lowest_c) / 2 if now_ms < evening_ms else begin_c
    found = []
    for at_ms in range(now_ms, dark.sunrise_ms + 5 * HOUR_MS, HOUR_MS):
        if at_ms < evening_ms:
            part = (at_ms - now_ms) / max(evening_ms - now_ms, 1)
            value = begin_c + (t0_c - begin_c) * part
        elif at_ms <= dark.sunrise_ms + MORNING_MS:
            value = course_c(t0_c, lowest_c, night_h, (at_ms - dark.sunset_ms) / HOUR_MS)
        else:
            value = lowest_c + 2.0 * (at_ms - dark.sunrise_ms - MORNING_MS) / HOUR_MS
        found.append(Expectation(at_ms, round(value, 2)))
    found.append(Expectation(dark.sunrise_ms, lowest_c))
    return sorted(found, key=lambda each: each.at_ms)
