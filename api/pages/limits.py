"""The page of hard limits: each with its figure, its source, what is in force here, and when it last acted."""

import re
import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass

from api.pages import limit_scale, words
from api.pages.limit_scale import Hot, Scale
from api.pages.words import Unit
from api.state import State
from controller.errors import StoreError
from controller.limit_table import Limit, grouped, hard_limits, last_acted_ms, shows_acting, tighter
from controller.proving.commissioned import Answer, last_answer
from controller.store.damage import DamagedError


@dataclass(frozen=True, slots=True)
class LimitShown:
    """One limit in the reader's words."""

    words: str
    figure: str
    meaning: str
    source: str
    tighter: tuple[str, ...]
    acted: str


def acted(state: State) -> dict[str, int]:
    """Return by limit when it last acted [ms UTC]; nothing where there is no journal yet."""
    try:
        with state.reading("journal.db") as journal:
            return last_acted_ms(journal, [each.name for each in hard_limits()])
    except DamagedError:
        raise  # "has not acted" would be a guess
    except (StoreError, sqlite3.Error):
        return {}


def answers(state: State) -> dict[str, Answer | None]:
    """Return what the newest proof test of each enclosure measured; nothing where there is no journal yet."""
    try:
        with state.reading("journal.db") as journal:
            return {each.name: last_answer(journal, each.name) for each in state.settings.enclosure}
    except (StoreError, sqlite3.Error):
        return {}


def shown(state: State, unit: Unit) -> dict[str, tuple[LimitShown, ...]]:
    """Return every limit under its heading."""
    found, proved = acted(state), answers(state)
    return {
        heading: tuple(
            _shown(each, unit, tighter(state.settings, each.name, proved), _last(state, each, found.get(each.name)))
            for each in limits
        )
        for heading, limits in grouped().items()
    }


def scale(state: State, unit: Unit) -> Scale:
    """Return the drawing of the hot limits, with what the settings tighten."""
    hot = []
    for each in hard_limits():
        hot.append(Hot(each.name, each.words, each.figures[0]))
        here = tighter(state.settings, each.name, {})
        hot += [Hot(each.name, each.words, value, where) for where, value in here.items()]
    return limit_scale.scale(hot, unit)


def _in_words(text: str, unit: Unit) -> str:
    """Say a text of the code with limits by their words and temperatures in the chosen unit."""
    known = {each.name: each.words for each in hard_limits()}
    return words.said(re.sub(r"\b[A-Z]+(?:_[A-Z]+)+\b", lambda found: known.get(found[0], found[0]), text), unit)


def _last(state: State, each: Limit, at_ms: int | None) -> str:
    if at_ms is None:
        return "Has not acted" if shows_acting(each.name) else "Its acting is not recorded"
    now_ms = state.clock.now().utc_ms
    return f"Last acted {words.moment(at_ms, now_ms, state.settings.site.zone)}, {words.ago((now_ms - at_ms) / 1000)}"


def _shown(each: Limit, unit: Unit, tight: Mapping[str, float], last: str) -> LimitShown:
    here = tuple(f"{name}: {_figure((value,), each.unit, unit)}" for name, value in tight.items())
    meaning, source = _in_words(each.meaning, unit), _in_words(each.source, unit)
    return LimitShown(each.words, _figure(each.figures, each.unit, unit), meaning, source, here, last)


def _figure(figures: tuple[float, ...], si_unit: str, unit: Unit) -> str:
    if si_unit == "Cel":
        return " to ".join(words.temperature_said(each, unit) for each in figures)
    if si_unit == "s":
        return " to ".join(words.duration(each) for each in figures)
    number = " to ".join(f"{each:,g}" if each < 1e5 else f"{each:,.0f}" for each in figures)
    days = {"d": "days"}.get(si_unit, si_unit)
    return f"{number} {days}".strip()
