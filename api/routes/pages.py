"""The pages: server-rendered, whole without script."""

from itertools import dropwhile
from typing import Annotated
from urllib.parse import urlencode

from fastapi import Query, Request
from fastapi.responses import HTMLResponse

from api import people
from api.auth import StateNow, Viewer
from api.pages import ledger, record, site_lines, views
from api.pages.render import page, unit_of
from api.pages.spark import Span
from api.problem import Router
from controller.clock import rfc3339

router = Router(include_in_schema=False)

_ENTRIES = 100


@router.get("/")
def site(request: Request, state: StateNow, person: Viewer) -> HTMLResponse:
    """The site at a glance; what is in trouble comes first."""
    unit = unit_of(request)
    shown = [views.view(state, each, unit, large=False) for each in state.settings.enclosure]
    shown.sort(
        key=lambda v: (
            not v.trips,
            not any(alert.urgent for alert in v.alerts),
            v.known and not (v.armed and v.missing),  # silent, or armed and yet without heat
        )
    )
    line, copy = site_lines.outside_line(state, unit), site_lines.copy_line(state)
    return page(request, "site.html", views=shown, line=line, copy=copy)


@router.get("/enclosures/{enclosure}")
def enclosurepage(
    enclosure: str,
    request: Request,
    state: StateNow,
    person: Viewer,
    back: Annotated[str, Query(alias="range", max_length=8)] = "24h",
    asked: Annotated[int | None, Query(ge=1, le=2**53)] = None,
) -> HTMLResponse:
    """One enclosure: section, readings, chart, what heat needs, and what may be asked."""
    known, unit = state.enclosure(enclosure), unit_of(request)
    back = back if back in views.RANGES else "24h"
    span_words, days = views.RANGES[back]
    now_ms = state.clock.now().utc_ms
    window = Span(now_ms - days * views.DAY_MS, now_ms)
    request_asked = record.asked(state, enclosure, asked) if asked else None
    return page(
        request,
        "enclosure.html",
        v=views.view(state, known, unit, large=True, days=days),
        here=enclosure,
        line=site_lines.outside_line(state, unit),
        answer=ledger.answer(request_asked, now_ms, state.settings.site.zone, unit),
        span_words=f"Last {span_words}",
        ranges=[{"key": k, "text": text, "here": k == back} for k, (text, _) in views.RANGES.items()],
        window={"start": rfc3339(window.start_ms), "end": rfc3339(window.end_ms)},
        zone=state.settings.site.time_zone,
        asked_points=[list(point) for point in record.asked_points(state, known, window)],
        trip_points=list(record.trips_ms(state, enclosure, window)),
    )


@router.get("/enclosures/{enclosure}/section")
def section(
    enclosure: str,
    request: Request,
    state: StateNow,
    person: Viewer,
    size: Annotated[str, Query(max_length=8)] = "small",
) -> HTMLResponse:
    """The part of a page that changes by itself, for script to put in place."""
    large = size == "large"
    unit = unit_of(request)
    shown = views.view(state, state.enclosure(enclosure), unit, large, charted=False)
    return page(request, "section.html", v=shown, large=large, line=site_lines.outside_line(state, unit))


@router.get("/enclosures/{enclosure}/heat")
def heat(enclosure: str, request: Request, state: StateNow, person: Viewer) -> HTMLResponse:
    """Heater use by local day over the last three weeks."""
    known, place, now_ms = state.enclosure(enclosure), state.settings.site, state.clock.now().utc_ms
    span = Span(now_ms - 21 * views.DAY_MS, now_ms)
    # Days before the first heat on record may be from before any record was kept: no mean is taken over them.
    use = list(dropwhile(lambda day: not day.on_s, record.heater_use(state, known, span, "day", alone=True)))
    days = ledger.heat_days(use, place, now_ms)
    total, more = ledger.heat_total(use, place)
    return page(
        request,
        "heat.html",
        name=enclosure,
        here=enclosure,
        line=site_lines.outside_line(state, unit_of(request)),
        days=days,
        cost_head=f"cost, {place.currency}",
        total=total,
        total_more=more,
    )


@router.get("/journal")
def journal(
    request: Request,
    state: StateNow,
    person: Viewer,
    enclosure: Annotated[str, Query(max_length=40)] = "",
    kind: Annotated[str, Query(max_length=40)] = "",
    before: Annotated[int | None, Query(ge=0, le=2**53)] = None,
    full: bool = False,
) -> HTMLResponse:
    """What happened, newest first, and whether the chain holds."""
    now_ms, unit = state.clock.now().utc_ms, unit_of(request)
    found = record.entries(state, enclosure or None, kind or None, limit=_ENTRIES, before=before, alone=True)
    # By number, for times repeat, and go back where a clock was set back.
    asked = {"enclosure": enclosure, "kind": kind, "before": found[-1].sequence if found else 0}
    return page(
        request,
        "journal.html",
        here="journal",
        line=site_lines.outside_line(state, unit),
        days=ledger.journal_days(found, now_ms, state.settings.site.zone, unit),
        chain=ledger.chain(record.walk(state, full), now_ms, state.settings.site.zone),
        kinds=record.kinds(state),
        enclosure=enclosure,
        kind=kind,
        full=full,
        refusals=ledger.refusals(state.season.do(people.list_refusals, 20), now_ms, state.settings.site.zone),
        noted=site_lines.is_break_noted(state),
        older=f"/journal?{urlencode(asked)}" if len(found) == _ENTRIES else "",
    )
