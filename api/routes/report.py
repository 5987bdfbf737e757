"""The season's report: a page to print, and as PDF where a Chromium is installed."""

import base64
import re
import shutil
import subprocess
import tempfile
from pathlib import Path
from threading import Lock

from fastapi import HTTPException, Request
from fastapi.responses import HTMLResponse, Response

from api.auth import StateNow, Viewer
from api.pages.render import page, unit_of
from api.pages.report import report_shown
from api.pages.worth import worth_shown
from api.pages.years import years_shown
from api.problem import Router
from api.routes.worth import Year
from api.season import site_photographs
from api.season.hours import date_at
from api.season.plants import PlantError
from api.season.report import report
from api.season.site_worth import Season, grown, season_at, season_of, years
from api.season.site_years import seasons_beside
from api.state import State

router = Router(include_in_schema=False)

CHROMIUMS = ("chromium", "chromium-browser", "google-chrome")
PATIENCE_S = 40.0
_ONE_AT_A_TIME = Lock()
_WITH_PICTURE = re.compile(r'src="/api/season/photographs/(\d+)\?small=true"')
STYLE = Path(__file__).parent.parent / "pages" / "static" / "soilward.css"


@router.get("/report")
def report_page(request: Request, state: StateNow, person: Viewer, year: Year = None) -> HTMLResponse:
    """The page."""
    return _page(request, state, _season(state, year), pdf=_chromium() is not None)


@router.get("/report.pdf")
def report_pdf(request: Request, state: StateNow, person: Viewer, year: Year = None) -> Response:
    """The same as PDF, printed by the Chromium on this machine; 404 where there is none."""
    chromium = _chromium()
    if chromium is None:
        raise HTTPException(404, "no Chromium is installed here; print the page /report from your browser instead")
    season = _season(state, year)
    shown = bytes(_page(request, state, season, pdf=False).body).decode("utf-8")
    # All in one file: nothing is fetched, no script runs, and no door of ours must stand open for it.
    style = f"<style>{STYLE.read_text(encoding='utf-8')}</style>"
    whole = shown.replace('<link rel="stylesheet" href="/static/soilward.css">', style)
    whole = whole.replace('<script src="/static/live.js" defer></script>', "")
    whole = _WITH_PICTURE.sub(lambda found: f'src="{_inlined(state, int(found[1]))}"', whole)
    name = f"season-{season.year}.pdf"
    headers = {"Content-Disposition": f'inline; filename="{name}"'}
    return Response(_printed(chromium, whole), media_type="application/pdf", headers=headers)


def _page(request: Request, state: State, season: Season, *, pdf: bool) -> HTMLResponse:
    shown = report_shown(state, report(state, season), unit_of(request))
    compared = worth_shown(state, grown(state, season, "first"))
    known = sorted({season.year, *years(state)}, reverse=True)
    beside = years_shown(state, seasons_beside(state, season))
    return page(
        request, "report.html", r=shown, w=compared, y=beside, years=known, chosen=season.year, pdf=pdf, here="season"
    )


def _inlined(state: State, number: int) -> str:
    """Return a photograph as a data URL; one whose file is not there is left out."""
    try:
        path, _ = site_photographs.file_of(state, number, small=True)
        return f"data:image/jpeg;base64,{base64.b64encode(path.read_bytes()).decode()}"
    except (PlantError, OSError):
        return "data:,"


def _season(state: State, year: int | None) -> Season:
    site = state.settings.site
    if year is None:
        return season_at(date_at(state.clock.now().utc_ms, site.zone), site.latitude)
    return season_of(year, site.latitude)


def _chromium() -> str | None:
    return next((found for name in CHROMIUMS if (found := shutil.which(name))), None)


def _printed(chromium: str, whole: str) -> bytes:
    if not _ONE_AT_A_TIME.acquire(blocking=False):
        raise HTTPException(429, "a report is being printed already; ask again in a moment", {"Retry-After": "5"})
    try:
        return _print(chromium, whole)
    finally:
        _ONE_AT_A_TIME.release()


def _print(chromium: str, whole: str) -> bytes:
    with tempfile.TemporaryDirectory(prefix="soilward-report-") as folder:
        source, result = Path(folder) / "report.html", Path(folder) / "report.pdf"
        source.write_text(whole, encoding="utf-8")
        command = [
            chromium, "--headless", "--no-sandbox", "--disable-gpu", "--no-pdf-header-footer",
            f"--user-data-dir={folder}/profile", f"--print-to-pdf={result}", source.as_uri(),
        ]  # fmt: skip
        try:
            subprocess.run(command, capture_output=True, timeout=PATIENCE_S, check=True)
            return result.read_bytes()
        except (subprocess.SubprocessError, OSError) as error:
            raise HTTPException(503, "Chromium did not print the report; print the page /report instead") from error
