"""The charts: what was met stays to be seen, the heat row, and pages that look back over very many runs."""

import re
from pathlib import Path

import pytest

from api.pages.curves import Curve
from api.pages.spark import Span, chart
from api.pages.words import Unit
from controller.store import connection, keeping, migrations
from controller.store.readings import StoredReading
from tests.unit.pages_site import NOW_MS, SETTINGS, open_site

DAY_MS = 86_400_000


def test_heat_row_is_as_tall_as_the_share_of_time_with_heat() -> None:
    """A stretch half heated has half a block, one heated throughout a whole one, an unheated one none."""
    window = Span(0, 160_000)  # 160 stretches of 1000 ms on the small paper
    curve = Curve("soil", "soil-10", ((0, 10.0), (160_000, 12.0)))
    drawn = chart([curve], window, Unit.C, SETTINGS.site.zone, [Span(1_000, 2_000), Span(5_250, 5_750)])
    assert drawn.heat == [[1_000, 2_000, 1.0], [5_000, 6_000, 0.5]]
    assert [block.height for block in drawn.blocks] == [pytest.approx(10.0), pytest.approx(5.0)]


def test_the_frost_of_a_minute_is_told_and_drawn(tmp_path: Path) -> None:
    """In words and as a band about the line, which is of means; and both are open where nothing was said for hours.

    Where the chart is of the same day the drawn section takes its band from it, and it is the same.
    """
    moments = range(NOW_MS - DAY_MS, NOW_MS, 120_000)
    with open_site(tmp_path, kept=False) as client:
        record = connection.open_writer(tmp_path / "readings.db", migrations.READINGS)
        values = {at_ms: 15.0 for number, at_ms in enumerate(moments) if not 200 < number < 400}
        values[moments[100]] = -3.0
        said = [(name, ms, c) for name in ("air-low", "soil-10", "soil-25") for ms, c in values.items()]
        keeping.add(
            record, [StoredReading("larch", name, name.split("-")[0], "Cel", c, ms, ms, "good") for name, ms, c in said]
        )
        record.close()
        page, longer, longest = (client.get(f"/enclosures/larch?range={key}").text for key in ("24h", "3d", "3w"))
    drawn = [re.findall(r'class="band soil" d="([^"]*)"', each)[0] for each in (page, longer)]
    assert drawn[0] == drawn[1]
    assert "air-low from −3.0 to 15.0" in page
    (line,), (band,), (weeks,) = (
        re.findall(rf'<path class="{kind} air" d="(M[^"]*L[^"]*)"', each)[-1:]
        for kind, each in (("line", page), ("band", page), ("line", longest))
    )
    assert (line.count("M"), band.count("Z"), weeks.count("M")) == (2, 2, 2)
    heights = [[float(y) for y in re.findall(r" ([0-9.]+)", path)] for path in (line, band)]
    assert max(heights[1]) > max(heights[0]) + 30.0


def test_runs_outside_the_window_are_not_drawn() -> None:
    """Only the part of a run inside the window counts."""
    drawn = chart([], Span(0, 160_000), Unit.C, SETTINGS.site.zone, [Span(-5_000, 500), Span(170_000, 180_000)])
    assert drawn.heat == [[0, 1_000, 0.5]]


def test_three_weeks_of_very_many_runs_still_open(tmp_path: Path) -> None:
    """More runs than one answer of the record may hold do not break the page that draws them."""
    with open_site(tmp_path, kept=False) as client:
        record = connection.open_writer(tmp_path / "readings.db", migrations.READINGS)
        starts = range(NOW_MS - 21 * DAY_MS, NOW_MS - 60_000, 150_000)
        rows = [("larch", at_ms, at_ms + 75_000, 1000.0, "opened") for at_ms in starts]
        assert len(rows) > 10_000
        with connection.transaction(record):
            record.executemany(
                "INSERT INTO heater_run (enclosure, start_ms, end_ms, energy_j, ended_by) VALUES (?, ?, ?, ?, ?)", rows
            )
        record.close()
        page = client.get("/enclosures/larch?range=3w")
        assert page.status_code == 200
        assert re.search(r'data-heat="\[\[\d+, \d+, 0\.\d+\]', page.text)


@pytest.mark.parametrize(
    ("path", "said"),
    [
        ("/enclosures/oak", "enclosure 'oak' is not in settings"),
        ("/enclosures/oak/heat", "enclosure 'oak' is not in settings"),
        ("/nothing-here", "there is no such page"),
    ],
)
def test_what_is_not_there_is_a_page_for_browsers_and_a_document_for_programs(
    tmp_path: Path, path: str, said: str
) -> None:
    """The same 404 in plain words or as a problem document, as asked for; the interface always answers in JSON."""
    with open_site(tmp_path) as client:
        shown = client.get(path, headers={"accept": "text/html"})
        told = client.get(path, headers={"accept": "*/*"})
        called = client.get("/api/enclosures/oak", headers={"accept": "text/html"})
    assert (shown.status_code, told.status_code, called.status_code) == (404, 404, 404)
    assert shown.headers["content-type"].startswith("text/html")
    assert told.headers["content-type"] == called.headers["content-type"] == "application/problem+json"
    assert said in shown.text.replace("&#39;", "'").lower()
