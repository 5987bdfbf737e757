"""Sizing and saving as a page and as JSON: one query for both, filled in from settings, shared as a link."""

import re
from collections.abc import Iterator
from datetime import date, timedelta
from html import unescape
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient

from api.season.sizing_fields import FIELDS
from controller.season_settings import Season
from tests.api_site import ApiSite

HTML = {"accept": "text/html"}
JSON_PATH, PAGE_PATH = "/api/season/sizing", "/sizing"


class Recorded(ApiSite):
    """A site with a weather station's record of three springs: 2023 at 6 Cel, 2024 at 10 Cel, 2025 just begun."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        file = folder / "station.csv"
        file.write_text("date,tmin_c,tmax_c\n" + "".join(self._rows()), encoding="utf-8")
        self.settings = self.settings.model_copy(update={"season": Season(station_file=file)})

    @staticmethod
    def _rows() -> Iterator[str]:
        for first, days, mean_c in ((date(2023, 2, 1), 120, 6.0), (date(2024, 2, 1), 120, 10.0)):
            for at in range(days):
                yield f"{first + timedelta(days=at)},{mean_c - 5},{mean_c + 5}\n"
        for at in range(19):
            yield f"{date(2025, 2, 1) + timedelta(days=at)},{-8 if at == 16 else 0},8\n"


@pytest.fixture
def recorded(tmp_path: Path) -> Iterator[TestClient]:
    """Yield a client of the site with a station."""
    with Recorded(tmp_path).client() as client:
        yield client


class Fields(HTMLParser):
    """What a browser without script would send from the page's form."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.sent: dict[str, str] = {}
        self._select = ""
        self._inside = False
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Take each input's value and each select's chosen word, within the form about sizing."""
        found = dict(attrs)
        if tag == "form":
            self._inside = found.get("action") == PAGE_PATH
        if not self._inside:
            return
        if tag == "input":
            self.sent[str(found["name"])] = str(found["value"])
        elif tag == "select":
            self._select = str(found["name"])
        elif tag == "option" and "selected" in found:
            self.sent[self._select] = str(found["value"])


def page_of(client: TestClient, query: str = "", status: int = 200) -> str:
    """Return the page."""
    answer = client.get(f"{PAGE_PATH}?{query}", headers=HTML)
    assert answer.status_code == status
    return answer.text


def text_of(page: str) -> str:
    """Return its words as they are read."""
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", page)).replace("\N{NO-BREAK SPACE}", " ").split())


def json_of(client: TestClient, query: str = "") -> dict[str, Any]:
    """Return the JSON answer."""
    answer = client.get(f"{JSON_PATH}?{query}")
    assert answer.status_code == 200, answer.text
    found: dict[str, Any] = answer.json()
    return found


def test_the_page_begins_with_what_holds_the_soil(client: TestClient) -> None:
    """The verdict, the same soil through the air, the heater at hand, and that the coldest night is assumed."""
    found, shown = json_of(client), text_of(page_of(client))
    cable, air = found["heaters"]["soil-cable"], found["heaters"]["air-heater"]
    assert (found["enclosure"], found["asked"]["coldest_by"]) == ("larch", "assumption")
    tens = -(-cable["watts"] // 10) * 10
    assert f"A soil cable of {tens:.0f} W holds soil at 15.0 °C down to −5.0 °C outside." in shown
    assert f"{air['watts'] / cable['watts']:.1f} times as much" in shown
    assert cable["at_hand_holds_to_c"] == 11.34
    assert "The 450 W at hand hold 15.0 °C down to 11.3 °C outside." in shown
    assert "The coldest night is assumed" in shown
    assert "ask a licensed electrician" in shown


def test_the_ratio_of_air_to_cable_is_this_enclosure_s(client: TestClient) -> None:
    """Another shape, another figure: it is computed, and the same in the answer and on the page."""
    ratios = []
    for query in ("height=0.45", "shape=glasshouse&height=2.4&width=2.4&cover=glass", "cover=twin-wall"):
        found = json_of(client, query)
        watts = [found["heaters"][kind]["watts"] for kind in ("air-heater", "soil-cable")]
        assert found["air_over_cable"] == pytest.approx(watts[0] / watts[1], abs=0.01)
        said = re.search(r"([0-9.]+) times as much", text_of(page_of(client, query)))
        assert said is not None
        assert float(said[1]) == pytest.approx(found["air_over_cable"], abs=0.051)
        ratios.append(found["air_over_cable"])
    assert len(set(ratios)) == 3


def test_the_form_sends_back_what_it_shows_without_script(client: TestClient) -> None:
    """Every field is there, filled in; sent unchanged it gives the same answer; no script is in the page."""
    page = page_of(client, "enclosure=elder&length=4&set_point=18&coldest=-9&cover=glass")
    sent = Fields(page).sent
    assert set(sent) == {each.name for each in FIELDS} | {"enclosure", "unit"}
    assert (sent["enclosure"], sent["length"], sent["cover"], sent["coldest"]) == ("elder", "4", "glass", "-9")
    again = client.get(PAGE_PATH, params=sent, headers=HTML)
    assert text_of(again.text) == text_of(page)
    assert page.count("<script") == 1


def test_a_link_means_the_same_to_a_reader_of_fahrenheit(client: TestClient) -> None:
    """The query says in which unit it was written; the reader's unit is how it is shown."""
    query = "set_point=18&coldest=-10"
    found = json_of(client, query)
    client.cookies.set("soilward-unit", "F")
    page = page_of(client, query)
    assert "holds soil at 64.4 °F down to 14.0 °F outside." in text_of(page)
    sent = Fields(page).sent
    assert (sent["set_point"], sent["coldest"], sent["unit"]) == ("64.4", "14", "F")
    answer = client.get(JSON_PATH, params=sent).json()
    assert answer["heaters"]["soil-cable"]["watts"] == pytest.approx(found["heaters"]["soil-cable"]["watts"], rel=1e-3)
    client.cookies.clear()
    assert Fields(page_of(client, "unit=F&set_point=64.4&coldest=14")).sent["set_point"] == "18"


def test_what_cannot_be_taken_is_said_above_the_form_which_keeps_it(client: TestClient) -> None:
    """Thing, value, bound and remedy of each; nothing is sized; what was written stays, and stays harmless."""
    page = page_of(client, "length=-3&cable_depth=1.2&cover=tarp&width=%3Cb%3E", 422)
    shown = text_of(page)
    assert "Length: -3 m is outside 0.2 to 200 m; write metres, such as 0.15 for 15 cm." in shown
    assert "Cable depth: 1.2 m is outside 0.03 to 1 m" in shown
    assert "Cover: 'tarp' is not known; choose thin film, film" in shown
    assert "Width: '<b>' is no number" in shown
    assert "<b>' is" not in page
    assert "What this rests on" not in shown
    assert Fields(page).sent["length"] == "-3"


def test_the_same_faults_are_a_problem_document(client: TestClient) -> None:
    """One by one in `errors`."""
    answer = client.get(f"{JSON_PATH}?length=-3&cable_depth=1.2")
    assert answer.status_code == 422
    assert answer.headers["content-type"] == "application/problem+json"
    assert [each.split(":")[0] for each in answer.json()["errors"]] == ["length", "cable_depth"]


def test_a_night_warmer_than_the_soil_is_refused_in_the_reader_s_unit(client: TestClient) -> None:
    """Nothing to hold: said on the page and in the problem document."""
    assert "Coldest: 20 °C outside is not below the soil asked for, 15 °C" in text_of(
        page_of(client, "coldest=20", 422)
    )
    assert client.get(f"{JSON_PATH}?coldest=20").json()["errors"]
    client.cookies.set("soilward-unit", "F")
    assert "Coldest: 68 °F outside is not below the soil asked for, 59 °F" in text_of(
        page_of(client, "coldest=20", 422)
    )


def test_an_unknown_enclosure_is_not_found(client: TestClient) -> None:
    """It names those that are known."""
    answer = client.get(f"{JSON_PATH}?enclosure=oak")
    assert answer.status_code == 404
    assert "larch, elder" in answer.json()["detail"]
    assert client.get(f"{PAGE_PATH}?enclosure=oak", headers=HTML).status_code == 404


def test_the_record_s_seasons_are_counted(recorded: TestClient) -> None:
    """Two whole springs; the one just begun is left out, and the coldest night is of those that count."""
    found = json_of(recorded)
    assert [(each["year"], each["known"], each["coldest_c"]) for each in found["weather"]["seasons"]] == [
        (2023, 90, 1.0),
        (2024, 91, 5.0),
    ]
    assert (found["asked"]["coldest_c"], found["asked"]["coldest_by"]) == (1.0, "record")
    cable = found["heaters"]["soil-cable"]
    by_mean = [json_of(recorded, f"mean={mean}")["heaters"]["soil-cable"]["kwh"] for mean in (6, 10)]
    # A leap year is a day longer, and a heater for both seasons warms cold soil the faster.
    assert [each["kwh"] for each in cable["seasons"]] == pytest.approx(by_mean, rel=0.02)
    assert cable["kwh"] == pytest.approx(sum(each["kwh"] for each in cable["seasons"]) / 2, abs=0.1)
    assert cable["cost"] == pytest.approx(0.3 * cable["kwh"], abs=0.01)
    shown = text_of(page_of(recorded))
    assert f"15 February to 15 May: {cable['kwh']:.0f} kWh by the record of station.csv (2 seasons, " in shown
    assert f"A season, kWh {cable['kwh']:.0f} {found['heaters']['air-heater']['kwh']:.0f} " in shown
    assert "Season by season" in shown


def test_what_a_change_saves_is_told_in_kwh_of_that_record(recorded: TestClient) -> None:
    """Each change beside as it is, with its difference."""
    found, shown = json_of(recorded), text_of(page_of(recorded))
    now = found["heaters"]["soil-cable"]["kwh"]
    names = [each["change"] for each in found["changes"]]
    assert names == ["a second layer", "a third lower", "a third shorter", "cable shallower", "cable deeper"]
    for each in found["changes"]:
        less = round(each["kwh"]) - round(now)
        said = f"{'−' if less < 0 else '+'}{abs(less)}"
        assert re.search(rf"{each['change']} .{{0,60}} {each['kwh']:.0f} {re.escape(said)} ", shown)
    assert found["changes"][0]["kwh"] < now < found["changes"][-1]["kwh"]


def test_a_season_only_begun_is_told_by_its_days(recorded: TestClient) -> None:
    """In early autumn nothing is on record; of a window with one broken season the days are named."""
    assert "no day on record in that time of the year" in text_of(page_of(recorded, "first=09-01&last=09-30"))
    shown = text_of(page_of(recorded, "first=01-01&last=02-10"))
    assert "10 of 41 days of 2025 are on record (station.csv); those alone take" in shown


def test_days_on_which_the_heater_falls_short_are_counted(recorded: TestClient) -> None:
    """40 W on days at 6 Cel: every one after the first week, in which soil is warmed; 20 kW: none."""
    assert "On 84 days the heater at hand falls short." in text_of(page_of(recorded, "watts=40"))
    assert "falls short" not in text_of(page_of(recorded, "watts=20000"))


def test_a_record_that_cannot_be_read_takes_the_season_alone(tmp_path: Path) -> None:
    """The heat at the coldest night is told all the same, and why there is no season."""
    site = ApiSite(tmp_path)
    site.settings = site.settings.model_copy(update={"season": Season(station_file=tmp_path / "gone.csv")})
    with site.client() as client:
        found = json_of(client)
        assert found["heaters"]["soil-cable"]["kwh"] is None
        assert "cannot be read" in found["weather"]["why_none"]
        assert "No season can be told: season.station_file" in text_of(page_of(client))


def test_the_air_that_an_air_heater_would_need_is_held_against_the_limit(tmp_path: Path) -> None:
    """Air tightened to 28.4 Cel: heat would end before the soil is held; just above what is needed nothing is said."""
    site = ApiSite(tmp_path)
    larch, elder = site.settings.enclosure
    needed_c = 28.49
    limited = [
        each.model_copy(update={"limits": each.limits.model_copy(update={"air_no_heat": limit_c})})
        for each, limit_c in ((larch, needed_c - 0.1), (elder, needed_c + 0.1))
    ]
    site.settings = site.settings.model_copy(update={"enclosure": tuple(limited)})
    with site.client() as client:
        assert json_of(client)["heaters"]["air-heater"]["air_c"] == pytest.approx(needed_c, abs=0.01)
        assert "Heat ends at 28.4 °C of air: no air heater may do that here." in text_of(page_of(client))
        assert "Heat ends" not in text_of(page_of(client, "enclosure=elder"))


@pytest.mark.parametrize(
    ("query", "said"),
    [
        ("watts=40", "The 40 W at hand hold 15.0 °C on no clear night."),
        ("watts=450", "the one at hand 83; handbooks lay 80 to 160."),
        ("watts=900&coldest=5", "Roots beside the cable at hand may get too warm."),
        ("coldest=-30", "That is too much for one bed: cover it better or ask less."),
    ],
)
def test_the_heater_at_hand_is_held_against_the_cold_and_the_handbooks_range(
    client: TestClient, query: str, said: str
) -> None:
    """W/m2 of bed, needed and at hand: 450 W on 5.4 m2 are 83, 900 W are 167."""
    assert said in text_of(page_of(client, query))


def test_each_breaker_says_whether_it_carries_the_heater(client: TestClient) -> None:
    """At 120 V and 5 Cel the air heater needed is too much for 20 A (1920 W), not for 30 A (2880 W)."""
    assert 1920 < json_of(client, "volts=120&coldest=5")["heaters"]["air-heater"]["watts"] < 2880
    shown = text_of(page_of(client, "volts=120&coldest=5"))
    assert "20 A 16 A, 1920 W yes no 30 A 24 A, 2880 W yes yes" in shown


def test_an_air_heater_is_told_beside_the_cable_it_could_be(client: TestClient) -> None:
    """The verdict is of the heater asked for; a cable's depth changes nothing of it."""
    shown = text_of(page_of(client, "heater=air-heater"))
    assert "An air heater of 3800 W holds soil at 15.0 °C" in shown
    assert "A soil cable holds the same soil with 1140 W: the air heater takes 3.3 times as much." in shown
    assert "cable deeper" not in shown


def test_soil_that_stays_warm_by_itself_needs_no_heater(client: TestClient) -> None:
    """Over ground at 30 Cel, under a thick cover, at 14.9 Cel outside: no heat, and nothing is divided by it."""
    query = "deep=30&coldest=14.9&cover=opaque"
    found = json_of(client, query)
    assert found["heaters"]["soil-cable"]["watts"] == 0.0
    assert found["air_over_cable"] is None
    shown = text_of(page_of(client, query))
    assert "At 14.9 °C the soil stays at 15.0 °C without heat. Neither heater is needed on such a night." in shown


def test_tonight_leads_here(client: TestClient) -> None:
    """At the foot of the page about tonight."""
    assert 'href="/sizing"' in client.get("/tonight", headers=HTML).text


def test_people_elsewhere_sign_in_first(tmp_path: Path) -> None:
    """As for every page and call."""
    with ApiSite(tmp_path).client("192.168.1.9") as client:
        assert client.get(JSON_PATH).status_code == 401
        assert client.get(PAGE_PATH, headers=HTML, follow_redirects=False).status_code == 303
