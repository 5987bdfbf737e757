"""The read calls over many sites."""

from dataclasses import asdict
from typing import Annotated, Any, cast

from fastapi import Depends, HTTPException, Path, Query, Request

from api.auth import Viewer
from api.problem import Router
from api.review.kept import Kept
from api.span import SpanAsked
from controller.clock import Clock, rfc3339
from controller.setting_kinds import NAME_PATTERN
from controller.store.readings import MOST_POINTS
from controller.store.use import JOULES_PER_KWH

router = Router(prefix="/api/sites", tags=["sites"])

Name = Annotated[str, Path(pattern=NAME_PATTERN)]
"""A site or enclosure; by this pattern nothing in it can mean anything to the store."""


def _kept(request: Request) -> Kept:
    return cast(Kept, request.app.state.soilward.kept)


def _clock(request: Request) -> Clock:
    return cast(Clock, request.app.state.soilward.clock)


KeptNow = Annotated[Kept, Depends(_kept)]
ClockNow = Annotated[Clock, Depends(_clock)]


@router.get("")
def sites(kept: KeptNow, person: Viewer) -> list[dict[str, Any]]:
    """Give every site with its enclosures."""
    found: dict[str, list[str]] = {}
    for site, enclosure in kept.enclosures():
        found.setdefault(site, []).append(enclosure)
    return [{"site": site, "enclosures": enclosures} for site, enclosures in found.items()]


@router.get("/{site}/enclosures/{enclosure}")
def enclosure_last(site: Name, enclosure: Name, kept: KeptNow, clock: ClockNow, person: Viewer) -> dict[str, Any]:
    """Give the newest reading of each probe that said anything within a day."""
    known(kept, site, enclosure)
    found = kept.latest(clock.now().utc_ms, site, enclosure)
    readings = [
        {"probe": one.probe, "quantity": one.quantity, "value": one.value, "unit": one.unit, "at": rfc3339(one.at_ms)}
        for one in found
    ]
    return {"site": site, "enclosure": enclosure, "readings": readings}


@router.get("/{site}/enclosures/{enclosure}/readings")
def enclosure_readings(
    site: Name,
    enclosure: Name,
    span: SpanAsked,
    kept: KeptNow,
    person: Viewer,
    points: Annotated[int, Query(ge=1, le=MOST_POINTS, description="Most buckets per probe")] = 500,
) -> dict[str, Any]:
    """Give least, mean and most of each probe per bucket, never more than `points` buckets."""
    known(kept, site, enclosure)
    found = kept.series(site, enclosure, span.start_ms, span.end_ms, points)
    return {
        "site": site,
        "enclosure": enclosure,
        "start": rfc3339(span.start_ms),
        "end": rfc3339(span.end_ms),
        "series": [each.as_json() for each in found],
    }


@router.get("/{site}/enclosures/{enclosure}/heater-runs")
def enclosure_runs(site: Name, enclosure: Name, span: SpanAsked, kept: KeptNow, person: Viewer) -> dict[str, Any]:
    """Give each heater run: start, length, energy and what ended it."""
    known(kept, site, enclosure)
    rows = [
        {
            "start": rfc3339(each.start_ms),
            "on_s": each.seconds,
            "energy_kwh": None if each.energy_j is None else each.energy_j / JOULES_PER_KWH,
            "ended_by": each.ended_by,
        }
        for each in kept.runs(site, enclosure, span.start_ms, span.end_ms)
    ]
    return {"site": site, "enclosure": enclosure, "rows": rows}


@router.get("/{site}/journal")
def journal(
    site: Name, span: SpanAsked, kept: KeptNow, person: Viewer, limit: Annotated[int, Query(ge=1, le=5000)] = 500
) -> list[dict[str, Any]]:
    """Give the newest journal entries, newest first, each with its hash in the site's own chain."""
    found = kept.journal(site, span.start_ms, span.end_ms, limit)
    return [{**asdict(each), "at": rfc3339(each.at_ms)} for each in found]


def known(kept: Kept, site: str, enclosure: str | None = None) -> list[tuple[str, str]]:
    """Return a site's enclosures, or the one; refuse a place that never sent anything.

    Raises
    ------
    HTTPException
        404, saying so.
    """
    found = kept.enclosures(site, enclosure)
    if not found:
        place = f"enclosure {enclosure!r} of site {site!r}" if enclosure else f"site {site!r}"
        raise HTTPException(404, f"{place} has sent nothing yet; look at the names")
    return found
