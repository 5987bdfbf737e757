"""The pages over many sites: all of them, one enclosure, one journal."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Annotated, Any

from fastapi import Query, Request
from fastapi.responses import HTMLResponse

from api.auth import Viewer
from api.pages import ledger, spark, words
from api.pages.curves import Curve, curve_of
from api.pages.render import page, unit_of
from api.pages.spark import Span
from api.pages.words import Unit
from api.problem import Router
from api.review.calls import ClockNow, KeptNow, Name, known
from api.review.kept import Kept, Last, Run
from controller.store.readings import ProbeSeries
from controller.store.use import JOULES_PER_KWH

router = Router(include_in_schema=False)

DAY_MS = 86_400_000
SILENT_MS = 900_000
"""[ms] A copy older than this is no longer now. Source: engineering judgement."""
RANGES = {"24h": ("24 hours", 1), "3d": ("3 days", 3), "3w": ("3 weeks", 21), "1y": ("a year", 365)}
POINTS = 480
MOST_RUNS = 24
MOST_PLACES = 200
"""Enclosures that the list of all sites shows with what they measure. Of 6000, with a reading a minute, that took a
store 5 s of its processor and made a page of 1.2 MB (measured); 14 s, by the rate of 3600 that speak every 10 s.
Source: engineering judgement.
"""
MOST_SILENT = 40
"""Silent enclosures that a list names; the rest it counts. Source: engineering judgement."""
_DRAWN = ("soil", "air", "outside")


@dataclass(frozen=True, slots=True)
class PlaceShown:
    """One enclosure in the list of all."""

    site: str
    enclosure: str
    soil: str
    air: str
    age: str
    silent: bool


@dataclass(frozen=True, slots=True)
class SiteShown:
    """One site where there are too many enclosures to list each: how many it has, and how many are silent."""

    name: str
    count: int
    silent: int


@router.get("/")
def sites(request: Request, kept: KeptNow, clock: ClockNow, person: Viewer) -> HTMLResponse:
    """Every site, the silent ones named first; with many enclosures, what they measure is on each site's own page."""
    now_ms, places = clock.now().utc_ms, kept.enclosures()
    if len(places) <= MOST_PLACES:
        shown = _places(kept, places, None, now_ms, unit_of(request))
        return page(request, "review-sites.html", sites=_by_site(shown), **_silent(shown))
    heard_ms = kept.heard(now_ms, places)
    shown = [_bare(*place, heard_ms.get(place), now_ms) for place in places]
    many = [SiteShown(name, len(each), sum(one.silent for one in each)) for name, each in _by_site(shown).items()]
    return page(request, "review-sites.html", sites=many, many=True, **_silent(shown))


@router.get("/sites/{site}")
def site_page(request: Request, site: Name, kept: KeptNow, clock: ClockNow, person: Viewer) -> HTMLResponse:
    """One site: what its enclosures said last."""
    places = known(kept, site)
    shown = _places(kept, places, site, clock.now().utc_ms, unit_of(request))
    return page(request, "review-sites.html", place=site, sites=_by_site(shown), **_silent(shown))


@router.get("/sites/{site}/enclosures/{enclosure}")
def enclosure_page(
    request: Request,
    site: Name,
    enclosure: Name,
    kept: KeptNow,
    clock: ClockNow,
    person: Viewer,
    span: Annotated[str, Query(alias="range", max_length=4)] = "24h",
) -> HTMLResponse:
    """One enclosure: the newest readings, the chart, what ran."""
    known(kept, site, enclosure)
    now_ms, unit, zone = clock.now().utc_ms, unit_of(request), request.app.state.soilward.settings.site.zone
    span_words, days = RANGES.get(span, RANGES["24h"])
    window = Span(now_ms - days * DAY_MS, now_ms)
    runs = kept.runs(site, enclosure, window.start_ms, window.end_ms)
    found = kept.series(site, enclosure, window.start_ms, window.end_ms, POINTS)
    ran = [Span(run.start_ms, run.start_ms + round(run.seconds * 1000)) for run in runs]
    lasts = kept.latest(now_ms, site, enclosure)
    return page(
        request,
        "review-enclosure.html",
        place=_place(site, enclosure, lasts, now_ms, unit),
        probes=[(each.probe, words.quantity(each.quantity), *_said(each, now_ms, unit)) for each in lasts],
        chart=spark.chart(_curves(found), window, unit, zone, ran, paper=spark.LARGE),
        small=spark.chart(_curves(found), window, unit, zone, ran, paper=spark.PHONE),
        span_words=span_words,
        ranges=[(key, text, text == span_words) for key, (text, _) in RANGES.items()],
        heat=_heat(runs),
        runs=[
            (words.moment(run.start_ms, now_ms, zone), words.duration(run.seconds), _kwh(run), run.ended_by)
            for run in reversed(runs[-MOST_RUNS:])
        ],
        more=max(0, len(runs) - MOST_RUNS),
    )


@router.get("/sites/{site}/journal")
def journal_page(request: Request, site: Name, kept: KeptNow, clock: ClockNow, person: Viewer) -> HTMLResponse:
    """What was written at one site in the last three weeks."""
    now_ms, zone = clock.now().utc_ms, request.app.state.soilward.settings.site.zone
    found = kept.journal(site, now_ms - 21 * DAY_MS, now_ms + 1, 300)
    days = ledger.journal_days(found, now_ms, zone, unit_of(request))
    return page(request, "review-journal.html", place=site, days=days)


def _places(
    kept: Kept, places: Sequence[tuple[str, str]], site: str | None, now_ms: int, unit: Unit
) -> list[PlaceShown]:
    lasts: dict[tuple[str, str], list[Last]] = {}
    for last in kept.latest(now_ms, site):
        lasts.setdefault((last.site, last.enclosure), []).append(last)
    return [_place(*place, lasts.get(place, []), now_ms, unit) for place in places]


def _by_site(shown: Sequence[PlaceShown]) -> dict[str, list[PlaceShown]]:
    by_site: dict[str, list[PlaceShown]] = {}
    for one in shown:
        by_site.setdefault(one.site, []).append(one)
    return by_site


def _silent(shown: Sequence[PlaceShown]) -> dict[str, Any]:
    silent = [one for one in shown if one.silent]
    return {"count": len(shown), "silent": silent[:MOST_SILENT], "silent_count": len(silent)}


def _place(site: str, enclosure: str, lasts: Sequence[Last], now_ms: int, unit: Unit) -> PlaceShown:
    newest_ms = max((each.at_ms for each in lasts), default=None)
    # A probe that fell silent, or has another name since, does not speak for the rest.
    heard = [each for each in lasts if newest_ms is not None and newest_ms - each.at_ms <= SILENT_MS]
    said = {each.quantity: words.reading(each.value, each.unit, unit) for each in reversed(heard)}
    bare = _bare(site, enclosure, newest_ms, now_ms)
    return replace(bare, soil=said.get("soil", "—"), air=said.get("air", "—"))


def _bare(site: str, enclosure: str, newest_ms: int | None, now_ms: int) -> PlaceShown:
    """Return an enclosure without what it measures."""
    age = "for more than a day" if newest_ms is None else words.duration((now_ms - newest_ms) / 1000)
    silent = newest_ms is None or now_ms - newest_ms > SILENT_MS
    return PlaceShown(site, enclosure, "—", "—", age, silent)


def _said(last: Last, now_ms: int, unit: Unit) -> tuple[str, str, bool]:
    age_ms = now_ms - last.at_ms
    return words.reading(last.value, last.unit, unit), words.ago(age_ms / 1000), age_ms > SILENT_MS


def _curves(found: Sequence[ProbeSeries]) -> list[Curve]:
    """Return the temperatures, the first of each quantity drawn as such."""
    lines: list[Curve] = []
    for each in sorted((one for one in found if one.quantity in _DRAWN), key=lambda one: _DRAWN.index(one.quantity)):
        first = not any(line.kind.split()[0] == each.quantity for line in lines)
        lines.append(curve_of(each.quantity + ("" if first else " second"), each))
    return lines


def _heat(runs: Sequence[Run]) -> str:
    if not runs:
        return "No heat on record in this time."
    on_s, kwh = sum(run.seconds for run in runs), sum(run.energy_j or 0.0 for run in runs) / JOULES_PER_KWH
    unknown = sum(run.energy_j is None for run in runs)
    rest = f"; of {unknown} runs the energy is not known" if unknown else ""
    count = "One run" if len(runs) == 1 else f"{len(runs)} runs"
    return f"{count}, {words.duration(on_s)} in all, {words.number(kwh)} kWh{rest}."


def _kwh(run: Run) -> str:
    return "not known" if run.energy_j is None else f"{words.number(run.energy_j / JOULES_PER_KWH, 2)} kWh"
