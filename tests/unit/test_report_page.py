"""The season's report: weather, heat, stages, frosts met, trips, comparison; on paper by Chromium."""

from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from api import people
from api.routes import report as report_route
from api.season.bbch import Scale
from api.season.plant_notes import Kind, Note, put_note
from api.season.plants import Plant, Protection, put_plant
from api.state import State
from controller.enclosure_settings import ProbeSettings
from controller.store import keeping
from controller.store.connection import open_writer
from controller.store.journal import Entry
from controller.store.migrations import READINGS
from controller.store.readings import StoredReading
from controller.store.runs import RunBegan, RunEnded, RunEnergy, apply
from tests.api_site import NOW_MS, ApiSite

DAY_MS, HOUR_MS = 86_400_000, 3_600_000
MIDNIGHT_MS = NOW_MS - NOW_MS % DAY_MS - HOUR_MS
"""[ms UTC] local midnight."""
HTML = {"accept": "text/html"}


@pytest.fixture
def opened(site: ApiSite) -> Iterator[TestClient]:
    """Yield a client of a site with ten days of February: frosts, heat, a stage and a trip."""
    probe = ProbeSettings.model_validate({"name": "yard", "quantity": "outside"})
    larch = site.settings.enclosure[0]
    larch = larch.model_copy(update={"probe": (*larch.probe, probe)})
    site.settings = site.settings.model_copy(update={"enclosure": (larch, *site.settings.enclosure[1:])})
    rows = []
    for day in range(10):
        for hour in range(24):
            at_ms = MIDNIGHT_MS - (10 - day) * DAY_MS + hour * HOUR_MS
            outside_c = 8.0 if 9 <= hour <= 16 else (-2.0 if day in (3, 7) else 3.0)
            rows.append(StoredReading("larch", "yard", "outside", "Cel", outside_c, at_ms, at_ms, "good"))
            rows.append(StoredReading("larch", "air-low", "air", "Cel", outside_c + 3.5, at_ms, at_ms, "good"))
    begin_ms = MIDNIGHT_MS - 5 * DAY_MS
    with closing(open_writer(site.folder / "readings.db", READINGS)) as record:
        keeping.add(record, rows)
        for event in (
            RunBegan("larch", begin_ms),
            RunEnergy("larch", 3.6e6),
            RunEnded("larch", begin_ms + HOUR_MS, "x"),
        ):
            apply(record, event)
    site.write_journal(
        Entry("trip", "larch", "soilward", "soil reached 41 Cel", {"trip": "soil-over:soil-10"}, begin_ms)
    )
    with closing(open_writer(site.folder / "season.db", people.MIGRATIONS)) as season:
        plant = Plant("south fig", "brown fig", "", "larch", Protection.HEATED_TUNNEL, "ground", 2020, Scale.FIG)
        planted = put_plant(season, plant, "keeper", NOW_MS)
        for on in ("2026-02-25", "2026-02-20"):
            put_note(season, planted, Note(Kind.STAGE, on, code=7), "keeper", NOW_MS)
    with site.client() as client:
        yield client


def test_the_report_tells_the_season(opened: TestClient) -> None:
    """Two frosts with what the air inside came to, a kilowatt hour, a stage on its first day, a trip."""
    shown = " ".join(opened.get("/report", headers=HTML).text.replace("\N{NO-BREAK SPACE}", " ").split())
    assert "10 days were measured. It froze on 2 days; the coldest was \N{MINUS SIGN}2.0 °C on 22 February." in shown
    assert shown.count("larch 1.5 °C") == 2
    assert "1 kWh, 0.30 EUR, 1 h on, one run." in shown
    assert "buds long</th><td>20 February <small>south fig</small></td><td></td>" in shown
    assert "25 February</th><td>south fig" not in shown
    assert "Soil reached 41 °C." in shown
    assert '<path class="line outside-band"' in shown


def test_in_the_south_a_frost_of_february_is_none_of_spring(opened: TestClient) -> None:
    """There the season begins in July; the last frost of its spring comes before February."""
    spring = "The last of the spring was on"
    assert spring in opened.get("/report", headers=HTML).text
    state: State = opened.app.state.soilward  # type: ignore[attr-defined]
    site = state.settings.site.model_copy(update={"latitude": -36.9})
    settings = state.settings.model_copy(update={"site": site})
    opened.app.state.soilward = replace(state, settings=settings)  # type: ignore[attr-defined]
    shown = opened.get("/report", headers=HTML).text
    assert ("It froze on 2 days" in shown, spring in shown) == (True, False)


def test_a_season_of_which_nothing_is_on_record_says_so(opened: TestClient) -> None:
    """Another year: every part says that it is empty."""
    shown = opened.get("/report?year=2020", headers=HTML).text
    for words in ("Nothing was measured outside", "No heat is on record", "No stage was noted", "Nothing latched"):
        assert words in shown


def test_it_is_printed_by_chromium(opened: TestClient) -> None:
    """A PDF of some pages, named by its year."""
    answer = opened.get("/report.pdf")
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "application/pdf"
    assert 'filename="season-2026.pdf"' in answer.headers["content-disposition"]
    assert answer.content.startswith(b"%PDF-")
    assert len(answer.content) > 10_000


def test_without_chromium_the_page_is_to_be_printed(opened: TestClient, monkeypatch: pytest.MonkeyPatch) -> None:
    """No link to a PDF, and 404 with what to do instead."""
    monkeypatch.setattr(report_route, "CHROMIUMS", ("no-such-browser",))
    assert "/report.pdf" not in opened.get("/report", headers=HTML).text
    answer = opened.get("/report.pdf")
    assert answer.status_code == 404
    assert "print the page /report" in answer.json()["detail"]


def test_a_browser_that_prints_nothing_is_said(
    opened: TestClient, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """503, and the page to print instead."""
    fake = tmp_path / "chromium"
    fake.write_text("#!/bin/sh\nexit 3\n")
    fake.chmod(0o755)
    monkeypatch.setattr(report_route, "CHROMIUMS", (str(fake),))
    assert opened.get("/report.pdf").status_code == 503
