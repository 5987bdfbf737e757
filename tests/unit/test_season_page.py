"""The season's page and calls: how far awake, and how likely frost still is, from the station's record and our own."""

from collections.abc import Iterator
from contextlib import closing
from datetime import date, timedelta
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from controller.enclosure_settings import ProbeSettings
from controller.season_settings import Season
from controller.store import keeping
from controller.store.connection import open_writer
from controller.store.migrations import READINGS
from controller.store.readings import StoredReading
from tests.api_site import NOW_MS, ApiSite

DAY_MS, HOUR_MS = 86_400_000, 3_600_000
HTML = {"accept": "text/html"}


class Station(ApiSite):
    """A site near a weather station: each year's last frost comes a day later than the year before's, from 1 April."""

    def __init__(self, folder: Path, years: int = 20, **season: object) -> None:
        super().__init__(folder)
        probe = ProbeSettings.model_validate({"name": "yard", "quantity": "outside"})
        larch = self.settings.enclosure[0]
        larch = larch.model_copy(update={"probe": (*larch.probe, probe)})
        file = folder / "station.csv"
        file.write_text("date,tmin_c,tmax_c\n" + "".join(self._days(years)), encoding="utf-8")
        chosen = Season.model_validate({"station_file": file, **season})
        update = {"enclosure": (larch, *self.settings.enclosure[1:]), "season": chosen}
        self.settings = self.settings.model_copy(update=update)

    @staticmethod
    def _days(years: int) -> Iterator[str]:
        for count in range(years):
            year = 2005 + count
            last = date(year, 4, 1) + timedelta(days=count)
            day = date(year - 1, 8, 1)
            while day < date(year, 8, 1):
                frost = date(year - 1, 11, 1) <= day <= last
                yield f"{day},{-1.0 if frost else 6.0},12.0\n"
                day += timedelta(days=1)

    def keep(self, probe: str, value_c: float, hours: int, until_ms: int = NOW_MS) -> None:
        """Keep hourly readings of one value up to an instant."""
        last_ms = until_ms - until_ms % HOUR_MS
        rows = [
            StoredReading("larch", probe, "soil", "Cel", value_c, last_ms - back * HOUR_MS, last_ms, "good")
            for back in range(1, hours + 1)
        ]
        with closing(open_writer(self.folder / "readings.db", READINGS)) as connection:
            keeping.add(connection, rows)


def test_a_stations_record_counts_before_anything_was_read_here(tmp_path: Path) -> None:
    """Of a site with an outside probe that has not spoken yet; page and call knew of no record."""
    with Station(tmp_path).client() as client:
        assert client.get("/api/season/freezes").json()["thresholds"]
        assert "20 springs count" in client.get("/season", headers=HTML).text


def test_the_last_freezes_are_those_of_the_record(tmp_path: Path) -> None:
    """Twenty springs, 1 to 20 April: half of them freeze on 10 or 11 April or later, one in ten from the 18th on."""
    site = Station(tmp_path)
    site.keep("yard", 3.0, 1)
    with site.client() as client:
        told = client.get("/api/season/freezes").json()
        frost = told["thresholds"][0]
        assert (frost["at_or_below_c"], frost["years"]) == (0.0, 20)
        assert (frost["p90"], frost["p50"], frost["p10"]) == ("04-03", "04-10", "04-18")
        assert frost["last"]["2010"] == "2010-04-06"
        assert told["thresholds"][1]["last"]["2010"] is None
        rule = frost["two_weeks_before_the_average"]
        assert (rule["on"], rule["frozen"], rule["years"]) == ("03-27", 20, 20)
        shown = client.get("/season", headers=HTML).text
        assert "In 20 of 20 years it froze again after that." in shown
        assert "<td>18 Apr</td><td>10 Apr</td><td>3 Apr</td>" in shown.replace("\N{NO-BREAK SPACE}", " ")
        assert "hardly ever" in shown
        autumn = frost["autumn"]
        assert (autumn["p10"], autumn["p50"], autumn["p90"], autumn["first"]["2010"]) == (
            "11-01",
            "11-01",
            "11-01",
            "2010-11-01",
        )
        assert "The first freeze of the autumn" in shown
        assert "<td>1 Nov</td><td>1 Nov</td><td>1 Nov</td>" in shown.replace("\N{NO-BREAK SPACE}", " ")


def test_freezes_are_told_by_any_temperature_that_is_asked(tmp_path: Path) -> None:
    """At -0.5 Cel as at 0, at -3 never; on the page in the reader's unit; nonsense is refused with the bounds."""
    site = Station(tmp_path)
    site.keep("yard", 3.0, 1)
    with site.client() as client:
        (frost,) = client.get("/api/season/freezes?below_c=-0.5").json()["thresholds"]
        assert (frost["at_or_below_c"], frost["p50"]) == (-0.5, "04-10")
        (never,) = client.get("/api/season/freezes?below_c=-3").json()["thresholds"]
        assert (never["p50"], never["two_weeks_before_the_average"]) == (None, None)
        assert client.get("/api/season/freezes?below_c=16").status_code == 422
        shown = client.get("/season?below=-0,5", headers=HTML).text.replace("\N{NO-BREAK SPACE}", " ")
        assert "two weeks before the average last night at \N{MINUS SIGN}0.5 °C: here 27 March. In 20 of 20" in shown
        assert ('value="-0,5"' in shown, "\N{MINUS SIGN}2.2 °C" in shown) == (True, False)
        assert "In no year on record it came to" in client.get("/season?below=-3", headers=HTML).text
        client.cookies.set("soilward-unit", "F")
        assert "31.1 °F" in client.get("/season?below=31.1", headers=HTML).text.replace("\N{NO-BREAK SPACE}", " ")
        for below, said in (("cold", "is no number"), ("nan", "is outside"), ("80", "is outside -22 to 59 °F")):
            answer = client.get(f"/season?below={below}", headers=HTML)
            told = answer.text.replace("\N{NO-BREAK SPACE}", " ")
            assert (answer.status_code, said in told) == (422, True), told


def test_our_own_days_extend_the_stations(tmp_path: Path) -> None:
    """The station ends; a frost of ours this spring is on record as well, and the place says so."""
    site = Station(tmp_path)
    site.keep("yard", -1.5, 30 * 24)
    with site.client() as client:
        told = client.get("/api/season/freezes").json()
        assert "extended by Tarn Hollow" in told["record"]
        assert "2026" in told["thresholds"][0]["left_out"]


def test_a_day_of_ours_is_as_warm_as_its_warmest_reading(tmp_path: Path) -> None:
    """Hours between 3 and 9 Cel: their coolest readings alone would have no day warmer than 3."""
    site = Station(tmp_path)
    site.keep("yard", 3.0, 5 * 24)
    half_hour_ms = HOUR_MS // 2
    with closing(open_writer(site.folder / "readings.db", READINGS)) as connection:
        first_ms = NOW_MS - NOW_MS % HOUR_MS - half_hour_ms
        warm = [
            StoredReading("larch", "yard", "soil", "Cel", 9.0, first_ms - back * HOUR_MS, first_ms, "good")
            for back in range(5 * 24)
        ]
        keeping.add(connection, warm)
    with site.client() as client:
        shown = client.get("/report", headers=HTML).text.replace("\N{NO-BREAK SPACE}", " ")
        assert "Each day's lowest and highest outside, from 3.0 °C to 9.0 °C" in shown.replace("&#39;", "'")


def test_a_station_file_at_fault_is_named(tmp_path: Path) -> None:
    """File, line, value: as a call 422, on the page a sentence, and the rest of the page still stands."""
    site = Station(tmp_path)
    site.keep("yard", 3.0, 1)
    file = site.settings.season.station_file
    assert file is not None
    file.write_text("date,tmin_c\n2020-01-01,abc\n", encoding="utf-8")
    with site.client() as client:
        answer = client.get("/api/season/freezes")
        assert answer.status_code == 422
        assert "abc" in answer.json()["detail"]
        shown = client.get("/season", headers=HTML).text
        assert "abc" in shown
        assert "How far awake?" in shown
        file.unlink()
        assert "cannot be read" in client.get("/api/season/freezes").json()["detail"]


def test_cold_is_counted_from_our_own_hours(tmp_path: Path) -> None:
    """240 hours at 6 Cel give the Dynamic model's 7.82 portions, and no warmth above a base of 10 Cel.

    Source: constants of Fishman, Erez and Couvillon 1987; 7.8207 computed from them.
    """
    site = Station(tmp_path)
    site.keep("soil-10", 6.0, 240)
    site.keep("yard", 3.0, 1)
    with site.client() as client:
        told = client.get("/api/season/waking").json()
        soil = next(each for each in told["places"] if each["probe"] == "soil-10")
        assert soil["chill"]["total"] == pytest.approx(7.82, abs=0.02)
        assert soil["chill"]["since"] == "2025-11-01"
        assert soil["warmth"]["total"] == 0.0
        assert soil["chill"]["hours_missing"] > 2000
        shown = client.get("/season", headers=HTML).text.replace("\N{NO-BREAK SPACE}", " ")
        assert "8 portions" in shown
        assert " h of the cold and " in shown
        assert " h of the warmth not read" in shown
        assert "Cel" not in shown


def test_the_methods_are_those_that_settings_name(tmp_path: Path) -> None:
    """Utah units and degree days above 2 Cel: 240 hours at 6 Cel are 240 units and 40 degree days."""
    site = Station(tmp_path, chill="utah", warmth="hours", base=2.0)
    site.keep("soil-10", 6.0, 240)
    site.keep("yard", 3.0, 1)
    with site.client() as client:
        told = client.get("/api/season/waking").json()
        soil = next(each for each in told["places"] if each["probe"] == "soil-10")
        assert soil["chill"]["total"] == pytest.approx(240.0, abs=1.0)
        assert soil["warmth"]["total"] == pytest.approx(40.0, abs=0.2)


def test_a_base_above_the_upper_bound_is_named(tmp_path: Path) -> None:
    """Both calls say which, and the page still opens."""
    site = Station(tmp_path, warmth="hours", base=25.0, upper=20.0)
    site.keep("yard", 3.0, 1)
    with site.client() as client:
        assert "base 25" in client.get("/api/season/waking").json()["detail"]
        assert "Base 25" in client.get("/season", headers=HTML).text


def test_without_any_record_the_page_says_what_to_do(client: TestClient, site: ApiSite) -> None:
    """No station, no outside probe."""
    open_writer(site.folder / "readings.db", READINGS).close()
    assert client.get("/api/season/freezes").json() == {"record": None, "thresholds": []}
    assert "season] station_file" in client.get("/season", headers=HTML).text


def test_settings_name_the_methods_that_there_are() -> None:
    """What settings allow and what can be counted are the same."""
    from typing import get_args

    from api.season import chill, heat_units

    assert set(get_args(Season.model_fields["chill"].annotation)) == set(chill.METHODS)
    assert set(get_args(Season.model_fields["warmth"].annotation)) == set(heat_units.METHODS)


def test_stages_are_expected_by_this_sites_own_earlier_years(tmp_path: Path) -> None:
    """Last year the first leaf came after so many degree days in larch's soil; at this year's pace that is a known day.
    With no stage noted in an earlier year nothing is expected."""
    site = Station(tmp_path, base=2.0)
    site.keep("soil-10", 6.0, 425 * 24)
    site.keep("yard", 3.0, 1)
    with site.client() as client:
        assert "note stages on the" in client.get("/season", headers=HTML).text
        made = client.post(
            "/api/season/plants",
            json={"name": "south fig", "cultivar": "brown fig", "protection": "tunnel with heat", "enclosure": "larch",
                  "stands": "ground"},
        )  # fmt: skip
        assert made.status_code == 201, made.text
        client.post("/api/season/plants/1/notes", json={"kind": "stage", "day": "2025-04-10", "code": 11})
        shown = client.get("/season", headers=HTML).text
        # Four degree days on each of 100 days, in both years.
        assert "about 10 April, by one earlier year" in shown
        client.post("/api/season/plants/1/notes", json={"kind": "stage", "day": "2026-02-27", "code": 11})
        assert "about 10 April" not in client.get("/season", headers=HTML).text


def test_a_stage_tells_of_the_place_where_its_plant_stood(tmp_path: Path) -> None:
    """Taken out of larch since, it said of the open what larch's warm soil had done."""
    site = Station(tmp_path, base=2.0)
    site.keep("soil-10", 6.0, 425 * 24)
    site.keep("yard", 3.0, 425 * 24)
    fig = {"name": "south fig", "cultivar": "brown fig", "stands": "ground"}
    with site.client() as client:
        site.clock.set_wall(NOW_MS - 300 * DAY_MS)
        inside = {"protection": "tunnel with heat", "enclosure": "larch"}
        client.post("/api/season/plants", json={**fig, **inside})
        client.post("/api/season/plants/1/notes", json={"kind": "stage", "day": "2025-04-10", "code": 11})
        site.clock.set_wall(NOW_MS)
        assert client.put("/api/season/plants/1", json={**fig, "protection": "open"}).status_code == 200
        shown = client.get("/season", headers=HTML).text
        ahead = shown[shown.index("about 10 April, by one earlier year") - 300 :]
        assert "larch, soil" in ahead[:300]


def test_hours_still_to_come_today_are_not_missing(tmp_path: Path) -> None:
    """On the third morning of a year every hour was read; that eighteen are ahead is no silence of the probe."""
    site = Station(tmp_path)
    now_ms = NOW_MS - 57 * DAY_MS
    site.clock.set_wall(now_ms)
    site.keep("yard", 6.0, 100 * 24, now_ms)
    site.keep("soil-10", 6.0, 100 * 24, now_ms)
    with site.client() as client:
        told = client.get("/api/season/waking").json()["places"]
        assert {each["warmth"]["hours_missing"] for each in told if each["probe"] == "yard"} == {0}
        assert "not read" not in client.get("/season", headers=HTML).text
