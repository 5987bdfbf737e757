"""The season's pages over two years of readings and thirty of a station's days: the first view, and every other."""

import math
import time
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

from api import people
from api.season.plants_csv import Within, take_csv
from controller.demo import season
from controller.enclosure_settings import ProbeSettings
from controller.season_settings import Season
from controller.store import packing, shelves
from controller.store.connection import open_writer, transaction
from controller.store.migrations import PLANS, READINGS
from controller.store.sums import DAY_MS, WIDTHS_MS, Sum, Sums
from tests.api_site import NOW_MS, ApiSite
from tests.bench.table import Row, percentile

PAGES = ("/tonight", "/season", "/plants", "/plants/1", "/worth", "/report", "/sizing?enclosure=larch")
YEARS, VIEWS = 2, 9
MOST_MS = 200.0
_PROBES = (("larch", "yard", "outside"), ("larch", "soil-10", "soil"), ("larch", "air-low", "air"),
           ("elder", "soil-10", "soil"), ("elder", "air-low", "air"))  # fmt: skip


def rows(folder: Path) -> Iterator[Row]:
    """Measure each page."""
    site = _site(folder)
    with site.client() as client:
        for page in PAGES:
            views = []
            for _ in range(VIEWS + 1):
                site.clock.sleep(2.0)
                begun_s = time.perf_counter()
                answer = client.get(page, headers={"accept": "text/html"})
                views.append((time.perf_counter() - begun_s) * 1000)
                assert answer.status_code == 200, answer.text
            later = percentile(views[1:], 0.95)
            yield Row(
                f"{page.partition('?')[0]}, p95 of {VIEWS} views after the first",
                f"{later:.0f} ms",
                f"first view {views[0]:.0f} ms",
                f"{later / views[0]:.2f}",
                f"<= {MOST_MS:g} ms",
                later <= MOST_MS,
            )


def _site(folder: Path) -> ApiSite:
    site = ApiSite(folder)
    probe = ProbeSettings.model_validate({"name": "yard", "quantity": "outside"})
    larch = site.settings.enclosure[0]
    larch = larch.model_copy(update={"probe": (*larch.probe, probe)})
    today = datetime.fromtimestamp(NOW_MS / 1000, UTC).date()
    station = folder / "station.csv"
    station.write_text(season.station_csv(today), encoding="utf-8")
    parts = {"enclosure": (larch, *site.settings.enclosure[1:]), "season": Season(station_file=station)}
    site.settings = site.settings.model_copy(update=parts)
    open_writer(folder / "plans.db", PLANS).close()
    with closing(open_writer(folder / "season.db", people.MIGRATIONS)) as connection:
        take_csv(connection, season.plants_csv(today), Within(("larch", "elder"), today), "keeper", NOW_MS)
    with closing(open_writer(folder / "readings.db", READINGS)) as connection, transaction(connection):
        for number, (enclosure, name, quantity) in enumerate(_PROBES, 1):
            said = (number, enclosure, name, quantity, NOW_MS - NOW_MS % DAY_MS)
            connection.execute(
                "INSERT INTO probe (id, enclosure, name, quantity, unit, closed_ms) VALUES (?, ?, ?, ?, 'Cel', ?)", said
            )
            for day_ms in range(said[-1] - YEARS * 365 * DAY_MS, said[-1], DAY_MS):
                day = {table: _rolled(day_ms, width_ms) for table, width_ms in WIDTHS_MS.items()}
                packing.write_days(connection, packing.rolled_up(connection, shelves.day_id(number, day_ms), day))
    return site


def _rolled(day_ms: int, width_ms: int) -> Sums:
    """Return a day's minutes or hours, as readings every ten seconds would make them."""
    count = width_ms // 10_000
    found: Sums = {}
    for start_ms in range(day_ms, day_ms + DAY_MS, width_ms):
        day = start_ms / DAY_MS
        value = 9.0 - 10.0 * math.cos(2 * math.pi * (day - 20) / 365.25) - 5.0 * math.cos(2 * math.pi * (day % 1))
        least, most = round((value - 0.2) * 16) / 16, round((value + 0.2) * 16) / 16
        found[start_ms] = Sum(start_ms, count, least, most, count * (least + most) / 2)
    return found
