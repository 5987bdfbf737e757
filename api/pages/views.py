"""What each page shows, as plain values in the reader's words; the templates only lay it out."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from api.orders import orders_now
from api.pages import record, spark, words
from api.pages.ahead import Ahead, ahead
from api.pages.alerts import AlertShown, alerts
from api.pages.curves import Curve
from api.pages.frame import LARGE, SMALL, Size
from api.pages.section import Picture, picture
from api.pages.spark import Chart, Paper, Span
from api.pages.words import Unit
from api.seen import as_seen
from api.state import State
from controller import unsensed
from controller.clock import from_rfc3339
from controller.enclosure_settings import Enclosure
from controller.explain import explain
from controller.status import Words

DAY_MS = 86_400_000
RANGES = {"24h": ("24 hours", 1), "3d": ("3 days", 3), "3w": ("3 weeks", 21)}
"""Key in the address: words and days."""


@dataclass(frozen=True, slots=True)
class ReadingShown:
    """One row of the table of probes."""

    probe: str
    quantity: str
    where: str
    value: str
    age_s: float | None
    age: str
    fresh: bool
    reason: str


@dataclass(frozen=True, slots=True)
class TripShown:
    """One trip: what, when, limit, and whether a reset can succeed."""

    name: str
    said: str
    when: str
    age_s: float
    age: str
    more: str
    cause_gone: bool


@dataclass(frozen=True, slots=True)
class PermissiveShown:
    """One condition for heat that does not hold."""

    name: str
    detail: str
    returns: str


@dataclass(frozen=True, slots=True)
class View:
    """One enclosure as a page shows it."""

    name: str
    title: str
    words: Words
    at_ms: int | None
    at_exact: str
    age_s: float
    age: str
    known: bool
    tag: str
    armed: bool
    picture: Picture
    chart: Chart | None
    small: Chart | None
    readings: tuple[ReadingShown, ...]
    missing: tuple[PermissiveShown, ...]
    holding: tuple[str, ...]
    trips: tuple[TripShown, ...]
    alerts: tuple[AlertShown, ...]
    refused: tuple[tuple[str, int], ...]
    asked_value: str
    least_ask: str
    most_ask: str
    overridden: str
    at_work: str
    proved: str
    unsensed: str
    ahead: Ahead | None


def view(state: State, enclosure: Enclosure, unit: Unit, large: bool, days: int = 1, charted: bool = True) -> View:
    """Return one enclosure as it is now.

    Parameters
    ----------
    large
        Its own page; otherwise a card among others.
    days
        How far back the chart goes.
    charted
        Whether a chart is wanted at all; the live fragment has none.
    """
    now = state.clock.now()
    seen = as_seen(enclosure, state.live.heard(enclosure.name), now)
    day = Span(now.utc_ms - DAY_MS, now.utc_ms)
    window = Span(now.utc_ms - days * DAY_MS, now.utc_ms)
    size: Size = LARGE if large else SMALL
    heard = seen["as_of_age_s"] is not None
    lines = record.curves(state, enclosure, window, 360 if large else 144) if charted else ()
    bands = record.bands_of(lines) if charted and window == day else record.bands(state, enclosure, day)
    drawn = picture(enclosure, seen, unit, bands, size)
    charts = _charts(state, enclosure, unit, window, lines, large) if charted else (None, None)
    age_s = float(seen["as_of_age_s"] or 0.0)
    return View(
        name=enclosure.name,
        title=enclosure.title or enclosure.name,
        words=_words(state, seen, unit),
        at_ms=now.utc_ms - round(age_s * 1000) if heard else None,
        at_exact=words.exact(now.utc_ms - round(age_s * 1000), state.settings.site.zone),
        age_s=age_s,
        age=words.ago(age_s),
        known=bool(seen["known"]),
        tag=orders_now(state, enclosure.name).tag,
        armed=bool(seen["armed"]),
        picture=drawn,
        chart=charts[0],
        small=charts[-1],
        readings=tuple(_reading(each, unit, age_s) for each in seen["readings"]),
        missing=tuple(_permissive(p, unit) for p in seen["permissives"] if not p["holds"]),
        holding=tuple(words.said(p["name"], unit) for p in seen["permissives"] if p["holds"]),
        trips=tuple(_trip(state, t, unit) for t in seen["trips"]),
        alerts=alerts(state, seen, unit),
        refused=tuple(sorted(seen["refused"].items())),
        asked_value=_asked_value(seen, unit),
        least_ask=words.temperature_said(-5.0, unit),
        most_ask=words.temperature_said(enclosure.limits.highest_set_point, unit),
        overridden=_overridden(state, seen),
        at_work=_at_work(state, seen),
        proved=_proved(state, seen),
        unsensed=unsensed.told(enclosure, seen["heat"].get("senses_current")),
        ahead=ahead(state, seen, enclosure.name, enclosure.heater.rated_w, unit) if large else None,
    )


def _charts(
    state: State, enclosure: Enclosure, unit: Unit, window: Span, lines: Sequence[Curve], large: bool
) -> tuple[Chart, Chart]:
    """Draw the record for a wide screen and for a phone; a card has one drawing for both."""
    if not large:
        lines = tuple(line for line in lines if "second" not in line.kind)
    ran = [Span(u.start_ms, u.end_ms) for u in record.heater_runs(state, enclosure, window)]
    trips = record.trips_ms(state, enclosure.name, window)

    def on(paper: Paper) -> Chart:
        return spark.chart(lines, window, unit, state.settings.site.zone, ran, trips, paper)

    return (on(spark.LARGE), on(spark.PHONE)) if large else (small := on(spark.SMALL), small)


def _words(state: State, seen: Mapping[str, Any], unit: Unit) -> Words:
    if seen["known"]:
        return explain(seen, unit is Unit.F)
    given = {**seen["words"]}
    if seen["as_of_age_s"] is not None:
        # By the clock, not by the age: the sentence stays true while the page stays open.
        now_ms = state.clock.now().utc_ms
        heard = _moment(state, now_ms - round(seen["as_of_age_s"] * 1000), now_ms)
        given["verdict"] = f"Not known: nothing heard from the controller since {heard}."
    return Words(*(words.said(str(given[key]), unit) for key in ("verdict", "because", "next", "do")))


def _reading(each: Mapping[str, Any], unit: Unit, later_s: float) -> ReadingShown:
    age_s = None if each["age_s"] is None else each["age_s"] + later_s
    return ReadingShown(
        each["probe"],
        words.quantity(each["quantity"]),
        words.level(each["level_m"]),
        words.reading(each["value"], each["unit"], unit),
        age_s,
        words.ago(age_s),
        bool(each["fresh"]) and each["value"] is not None,
        words.said(each["reason"], unit),
    )


def _permissive(each: Mapping[str, Any], unit: Unit) -> PermissiveShown:
    return PermissiveShown(
        words.said(each["name"], unit), words.sentence(each["detail"], unit), words.said(each["returns"], unit)
    )


def _trip(state: State, each: Mapping[str, Any], unit: Unit) -> TripShown:
    now_ms, zone = state.clock.now().utc_ms, state.settings.site.zone
    age_s = (now_ms - each["at_ms"]) / 1000
    resets = each["resets_24h"]
    more = f" Reset {resets} time{'s' if resets != 1 else ''} in the last 24 h." if resets else ""
    when = words.moment(each["at_ms"], now_ms, zone)
    said = words.sentence(each["detail"], unit)
    return TripShown(each["name"], said, when, age_s, words.ago(age_s), more, bool(each["cause_gone"]))


def _overridden(state: State, seen: Mapping[str, Any]) -> str:
    """Say until when a person's wish stands over the schedule; empty when the schedule rules."""
    if seen["set_point"]["source"] != "person":
        return ""
    until, now_ms = seen["set_point"]["until"], state.clock.now().utc_ms
    if until is None:
        return "A person's wish stands over the schedule until somebody says otherwise."
    return f"A person's wish stands over the schedule until {_moment(state, from_rfc3339(until), now_ms)}."


def _at_work(state: State, seen: Mapping[str, Any]) -> str:
    """Say until when somebody works there; empty when nobody does."""
    until, now_ms = seen.get("at_work_until"), state.clock.now().utc_ms
    return "" if until is None else f"Somebody works there until {_moment(state, from_rfc3339(until), now_ms)}."


def _proved(state: State, seen: Mapping[str, Any]) -> str:
    """Say when what ends heat was last proved to do so."""
    at, now_ms = seen.get("proved_at"), state.clock.now().utc_ms
    return (
        "No proof test is on record."
        if at is None
        else (f"The last proof test passed {_moment(state, from_rfc3339(at), now_ms)}.")
    )


def _moment(state: State, at_ms: int, now_ms: int) -> str:
    return words.moment(at_ms, now_ms, state.settings.site.zone)


def _asked_value(seen: Mapping[str, Any], unit: Unit) -> str:
    asked_c = seen["set_point"]["asked_c"]
    return "" if asked_c is None else f"{round(unit.shown(asked_c), 1) + 0.0:.1f}"
