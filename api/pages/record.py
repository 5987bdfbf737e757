"""What the pages take from the record: curves, bands, heater use, entries, answers; empty where nothing is kept."""

import sqlite3
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeVar

from api.chain import BusyError, Walk
from api.pages.curves import Curve, curve_of
from api.pages.profile import Band
from api.pages.scales import root_depth_m
from api.pages.spark import Span
from api.state import State
from controller.clock import from_rfc3339
from controller.control import schedule
from controller.enclosure_settings import Enclosure
from controller.errors import StoreError
from controller.store import journal, reading_back, requests, runs
from controller.store.damage import is_damage
from controller.store.journal import StoredEntry
from controller.store.readings import ProbeSeries
from controller.store.use import HeaterUse

T = TypeVar("T")
_DRAWN = ("soil", "air", "outside")
_INSIDE = ("soil", "air")
_DAY_MS = 86_400_000
CLOCK_SET_BACK_MS = 3_600_000
"""[ms] An answer may be stamped so much earlier than its request. Source: engineering judgement."""


@dataclass(frozen=True, slots=True)
class Asked:
    """A request and the journal's answer to it, if there is one yet."""

    request: requests.Request
    answer: StoredEntry | None


def _read(state: State, file: str, work: Callable[[sqlite3.Connection], T], nothing: T, *, alone: bool = False) -> T:
    """Read one of the controller's files; `nothing` while it is not there or busy, so that the page still opens.

    Parameters
    ----------
    alone
        The page shows this alone: what keeps its file from being read is raised, for "nothing" would be no true word.
    """
    try:
        with state.reading(file) as connection:
            return work(connection)
    except (StoreError, sqlite3.OperationalError) as error:
        if alone and (is_damage(error) or not isinstance(error, StoreError)):
            raise
        return nothing


def curves(state: State, enclosure: Enclosure, window: Span, points: int) -> tuple[Curve, ...]:
    """Return soil, air and outside over a window, the probe at the roots first, then what was asked."""
    wanted = [p for p in enclosure.probe if p.quantity in _DRAWN]
    found = _series(state, enclosure, [p.name for p in wanted], window, points)
    said = {each.probe: each for each in found if each.rows}
    root = root_depth_m(enclosure)
    wanted.sort(key=lambda p: (_DRAWN.index(p.quantity), p.depth_m != root))
    lines: list[Curve] = []
    for probe in wanted:
        if probe.name in said:
            first = not any(line.kind.split()[0] == probe.quantity for line in lines)
            kind = str(probe.quantity) + ("" if first else " second")
            lines.append(curve_of(kind, said[probe.name]))
    asked = asked_points(state, enclosure, window)
    return (*lines, Curve("asked", "asked", asked)) if asked else tuple(lines)


def bands(state: State, enclosure: Enclosure, window: Span) -> dict[str, Band]:
    """Return least and most [Cel] of each temperature probe inside over a window."""
    inside = [p.name for p in enclosure.probe if p.quantity in _INSIDE]
    found = _series(state, enclosure, inside, window, 1)
    return {s.probe: (min(r.least for r in s.rows), max(r.most for r in s.rows)) for s in found if s.rows}


def bands_of(lines: Sequence[Curve]) -> dict[str, Band]:
    """Return the same from curves over that window, which need not be read again."""
    return {c.name: (min(c.values_c), max(c.values_c)) for c in lines if c.kind.split()[0] in _INSIDE}


def _series(state: State, enclosure: Enclosure, probes: list[str], window: Span, points: int) -> list[ProbeSeries]:
    nothing: list[ProbeSeries] = []
    start_ms, end_ms = window.start_ms, window.end_ms
    name = enclosure.name
    return _read(
        state, "readings.db", lambda c: reading_back.series(c, name, probes, start_ms, end_ms, points), nothing
    )


def heater_use(
    state: State, enclosure: Enclosure, window: Span, by: runs.By, *, alone: bool = False
) -> list[HeaterUse]:
    """Return heater use per run or local day over a window; `alone` as for `_read`."""
    now_ms, zone = state.clock.now().utc_ms, state.settings.site.zone
    return _read(
        state,
        "readings.db",
        lambda c: runs.summary(c, enclosure.name, window.start_ms, window.end_ms, by, zone, now_ms),
        [],
        alone=alone,
    )


def heater_runs(state: State, enclosure: Enclosure, window: Span) -> list[HeaterUse]:
    """Return every run in a window, asked day by day: three weeks hold more of them than one answer may."""
    starts = range(window.start_ms, window.end_ms, _DAY_MS)
    days = [Span(start_ms, min(start_ms + _DAY_MS, window.end_ms)) for start_ms in starts]
    return [run for day in days for run in heater_use(state, enclosure, day, "run")]


def entries(
    state: State,
    enclosure: str | None,
    kind: str | None,
    window: tuple[int | None, int | None] = (None, None),
    limit: int = 200,
    before: int | None = None,
    *,
    alone: bool = False,
) -> list[StoredEntry]:
    """Return journal entries, newest first; those before one of a number, if given; `alone` as for `_read`."""
    start_ms, end_ms = window
    found: list[StoredEntry] = []
    return _read(
        state,
        "journal.db",
        lambda c: journal.read(c, enclosure, kind, start_ms, end_ms, limit, before),
        found,
        alone=alone,
    )


def walk(state: State, whole: bool) -> Walk | None:
    """Return whether the journal's chain holds, or None while there is no journal or it is being walked."""
    now_ms = state.clock.now().utc_ms
    try:
        return _read(state, "journal.db", lambda c: state.chain.walk(c, now_ms, whole), None, alone=True)
    except BusyError:
        return None


def kinds(state: State) -> list[str]:
    """Return the kinds of entries there are, in order of name."""
    nothing: list[tuple[str]] = []
    rows = _read(
        state, "journal.db", lambda c: c.execute("SELECT DISTINCT kind FROM journal ORDER BY 1").fetchall(), nothing
    )
    return [str(kind) for (kind,) in rows]


def trips_ms(state: State, enclosure: str, window: Span) -> tuple[int, ...]:
    """Return when trips latched in a window, [ms] UTC."""
    return tuple(e.at_ms for e in entries(state, enclosure, "trip", (window.start_ms, window.end_ms)))


def asked(state: State, enclosure: str, request_id: int) -> Asked | None:
    """Return a request of this enclosure and its answer, or None for no such request."""
    request = state.requests.do(requests.get, request_id)
    if request is None or request.enclosure != enclosure:
        return None
    # The clock may have been set back between asking and answering.
    later = entries(state, enclosure, "answer", (request.at_ms - CLOCK_SET_BACK_MS, None), 500)
    return Asked(request, next((e for e in later if _answers(e, request)), None))


def _answers(entry: StoredEntry, request: requests.Request) -> bool:
    # Not by number alone: a requests.db begun anew counts from 1 again.
    return (entry.body.get("request"), entry.body.get("asked")) == (request.id, request.kind)


def asked_points(state: State, enclosure: Enclosure, window: Span, steps: int = 96) -> tuple[tuple[int, float], ...]:
    """Return what was asked over a window as ([ms] UTC, [Cel]): the schedule, and what people asked over it."""
    zone = state.settings.site.zone
    plan = [(schedule.starts_of(e.starts), e.set_point, e.ramp_h) for e in enclosure.schedule]
    dated = schedule.unroll(plan, zone, window.end_ms)
    overrides = _overrides(entries(state, enclosure.name, "answer", (None, window.end_ms), 2000))
    points = []
    for step in range(steps + 1):
        at_ms = window.start_ms + (window.end_ms - window.start_ms) * step // steps
        value = next((c for start, end, c in overrides if start <= at_ms < end), None)
        value = schedule.asked_c(dated, at_ms) if value is None else value
        if value is not None:
            points.append((at_ms, value))
    return tuple(points)


def _overrides(answers: list[StoredEntry]) -> list[tuple[int, int, float]]:
    """Return ([ms] from, [ms] until, [Cel]) of each set point a person asked and got."""
    spans: list[tuple[int, int, float]] = []
    next_ms = 2**62
    for entry in answers:  # newest first: each ends where the next began
        arguments = entry.body.get("arguments")
        if entry.body.get("asked") != "set-point" or entry.body.get("outcome") != "done":
            continue
        if isinstance(arguments, dict) and isinstance(value := arguments.get("set_point_c"), int | float):
            until = arguments.get("until")
            end_ms = min(next_ms, from_rfc3339(until)) if isinstance(until, str) else next_ms
            spans.append((entry.at_ms, end_ms, float(value)))
        next_ms = entry.at_ms
    return spans
