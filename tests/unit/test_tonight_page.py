"""Tonight: what the probe tells two hours after sunset, what a forecast tells before, and what the page makes of it."""

import json
import math
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient

from api.pages.placed import inside_air_c
from api.pages.unheated import unheated
from api.pages.words import Unit, chance_said
from api.season import hindsight
from api.season.night import choose
from api.season.nights import EVENING_MS, dark_of
from api.season.site_night import Foretold, Tonight, coming_night
from api.season.sky import NightSky
from api.season.tonight import Forecast
from api.state import State
from controller.clock import from_rfc3339
from controller.control.foresight import Foresight
from controller.enclosure_settings import ProbeSettings
from controller.season_settings import Frost, Season
from controller.store import keeping, plans
from controller.store.connection import open_writer
from controller.store.migrations import PLANS, READINGS
from controller.store.readings import StoredReading
from controller.store.runs import RunBegan, RunEnded, RunEnergy, apply
from tests.api_site import NOW_MS, ApiSite, status_of, trip_of

DAY_MS, HOUR_MS = 86_400_000, 3_600_000
HTML = {"accept": "text/html"}
TEN_MS = 600_000


class Outdoors(ApiSite):
    """A site with an outside probe, and nights that all fall by the same 6 K below what they were after sunset."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        probe = ProbeSettings.model_validate({"name": "yard", "quantity": "outside"})
        larch = self.settings.enclosure[0]
        larch = larch.model_copy(update={"probe": (*larch.probe, probe)})
        self.settings = self.settings.model_copy(update={"enclosure": (larch, *self.settings.enclosure[1:])})
        for name in ("larch", "elder"):
            self.live.accept(f"soilward/{name}/status", json.dumps(status_of(name, trips=[])).encode())

    def live_through(self, nights: int, until_ms: int, evening_c: float = 4.0) -> None:
        """Keep ten-minute readings of the nights before, and of this one up to an instant [ms UTC]."""
        first_ms = until_ms - until_ms % TEN_MS - nights * DAY_MS
        rows = [
            StoredReading("larch", "yard", "outside", "Cel", outside_c(at_ms, evening_c), at_ms, at_ms, "good")
            for at_ms in range(first_ms, until_ms, TEN_MS)
        ]
        with closing(open_writer(self.folder / "readings.db", READINGS)) as connection:
            keeping.add(connection, rows)

    def at(self, at_ms: int) -> None:
        """Set the clock."""
        self.clock.set_wall(at_ms)


@pytest.mark.parametrize("month", ["06", "12"], ids=["midnight sun", "polar night"])
def test_where_the_sun_does_not_rise_and_set_the_page_says_so(tmp_path: Path, month: str) -> None:
    """It named three reasons of which one might hold, and of a night of weeks said that the sun does not set."""
    north = Outdoors(tmp_path)
    site = north.settings.site.model_copy(update={"latitude": 69.65, "longitude": 18.96})
    north.settings = north.settings.model_copy(update={"site": site})
    north.at(from_rfc3339(f"2026-{month}-21T21:00:00Z"))
    with north.client() as client:
        assert (
            "The sun does not rise and set here now, so there is no night" in client.get("/tonight", headers=HTML).text
        )
        assert "rise and set" in client.get("/api/season/tonight").json()["why_none"]
        (tmp_path / "readings.db").write_bytes(b"\xa5" * 8192)
        assert "readings.db is damaged" in client.get("/tonight", headers=HTML).text, "no sun is no excuse"


def outside_c(at_ms: int, evening_c: float) -> float:
    """Return a warm afternoon, and from two hours after sunset a fall of 6 K by the square root of time."""
    dark = coming_night(at_ms, 46.2, 7.5)
    assert dark is not None
    evening_ms = dark.sunset_ms + EVENING_MS
    warmer = (dark.on.toordinal() * 7 % 13) / 13.0
    if at_ms < evening_ms:
        return evening_c + warmer + min(evening_ms - at_ms, 6 * HOUR_MS) / HOUR_MS
    part = min((at_ms - evening_ms) / (dark.sunrise_ms - evening_ms), 1.0)
    return evening_c + warmer - 6.0 * math.sqrt(part)


@pytest.fixture
def outdoors(tmp_path: Path) -> Outdoors:
    """Return the site before its app runs."""
    return Outdoors(tmp_path)


@pytest.fixture
def tonight() -> tuple[int, int]:
    """Return [ms UTC] two hours after the sunset of the day of NOW, and the sunrise after it."""
    dark = dark_of(date(2026, 3, 1), 46.2, 7.5)
    assert dark is not None
    return dark.sunset_ms + EVENING_MS, dark.sunrise_ms


@pytest.fixture
def opened(outdoors: Outdoors) -> Iterator[TestClient]:
    """Yield a client of the app; the record may be filled before the first call."""
    with outdoors.client() as client:
        yield client


def test_two_hours_after_sunset_the_probe_tells(
    outdoors: Outdoors, opened: TestClient, tonight: tuple[int, int]
) -> None:
    """Forty nights fell by 6 K: so will this one, with a spread learnt from them, and frost comes at a known hour."""
    outdoors.live_through(40, tonight[0] + HOUR_MS)
    outdoors.at(tonight[0] + HOUR_MS)
    told = opened.get("/api/season/tonight").json()
    assert told["told"]["by"] == "probe"
    assert told["told"]["minimum_c"] == pytest.approx(outside_c(tonight[1], 4.0), abs=0.6)
    assert told["told"]["spread_k"] < 1.0
    assert not told["told"]["from_prior"]
    frost = next(each for each in told["limits"] if (each["stage"], each["place"]) == ("leafed", "ground"))
    assert (frost["air_c"], frost["word"]) == (2.0, "likely")
    shown = opened.get("/tonight", headers=HTML).text
    assert "Frost tonight: likely." in shown
    assert "by the site's own probe" in shown.replace("&#39;", "'")


def test_a_night_colder_than_foretold_is_told_as_it_is(
    outdoors: Outdoors, opened: TestClient, tonight: tuple[int, int]
) -> None:
    """Told 3 Cel; by three in the morning it was -2.5: frost is no longer unlikely, and plants are no longer safe."""
    outdoors.live_through(40, tonight[0] + HOUR_MS, evening_c=9.0)
    three_ms = tonight[0] + 7 * HOUR_MS
    with closing(open_writer(outdoors.folder / "readings.db", READINGS)) as connection:
        rows = range(tonight[0] + 2 * HOUR_MS, three_ms, TEN_MS)
        keeping.add(connection, [StoredReading("larch", "yard", "outside", "Cel", -2.5, ms, ms, "good") for ms in rows])
    outdoors.at(three_ms)
    found = opened.get("/api/season/tonight").json()
    assert (found["told"]["minimum_c"], found["told"]["reached_c"]) == (-2.5, -2.5)
    assert found["told"]["spread_k"] > 3.0, "it was wrong by more than that"
    ground = {each["stage"]: each for each in found["limits"] if each["place"] == "ground"}
    assert (ground["leafed"]["chance"], ground["leafed"]["word"]) == (1.0, "likely")
    assert 0.1 < ground["swelling"]["chance"] < 0.5
    shown = opened.get("/tonight", headers=HTML).text
    assert "Frost tonight: it is here." in shown
    assert "the air reaches freezing" not in shown


@pytest.mark.parametrize("hours", [1, 12])
def test_a_probe_that_once_said_what_no_air_ever_was_spoils_no_night(
    outdoors: Outdoors, opened: TestClient, tonight: tuple[int, int], hours: int
) -> None:
    """Three weeks ago it told 85 Cel, its word for a start without power: that night is left out, all others count."""
    outdoors.live_through(40, tonight[0] + HOUR_MS)
    first_ms = tonight[0] - 21 * DAY_MS
    with closing(open_writer(outdoors.folder / "readings.db", READINGS)) as connection:
        rows = range(first_ms + 1000, first_ms + hours * HOUR_MS, 10_000)
        keeping.add(connection, [StoredReading("larch", "yard", "outside", "Cel", 85.0, ms, ms, "good") for ms in rows])
    outdoors.at(tonight[0] + HOUR_MS)
    assert opened.get("/api/season/tonight").json()["told"]["nights"] == 38, "of 39"
    for path in ("/tonight", "/season", "/report"):
        shown = opened.get(path, headers=HTML)
        assert (shown.status_code, "look at its unit" in shown.text) == (200, False), path


def test_with_few_nights_others_stand_in_and_it_says_so(
    outdoors: Outdoors, opened: TestClient, tonight: tuple[int, int]
) -> None:
    """Five nights: the prior's wider spread, in words on the page."""
    outdoors.live_through(5, tonight[0] + HOUR_MS)
    outdoors.at(tonight[0] + HOUR_MS)
    told = opened.get("/api/season/tonight").json()["told"]
    assert told["from_prior"]
    assert told["spread_k"] > 1.5
    assert "too few nights yet" in opened.get("/tonight", headers=HTML).text


def test_before_the_evening_a_forecast_fed_in_is_used(
    outdoors: Outdoors, opened: TestClient, tonight: tuple[int, int]
) -> None:
    """In the afternoon: nothing known without it; with it, its lowest hour and the hour it falls below 0."""
    outdoors.live_through(30, tonight[0] - 5 * HOUR_MS)
    outdoors.at(tonight[0] - 5 * HOUR_MS)
    assert opened.get("/api/season/tonight").json()["told"] is None
    assert "Tonight is not known yet." in opened.get("/tonight", headers=HTML).text
    begin_s = (tonight[0] - 4 * HOUR_MS) / 1000
    pack = [{"n": "outside", "u": "Cel", "t": begin_s + 3600 * hour, "v": 5.0 - hour} for hour in range(18)]
    assert opened.put("/api/season/forecast", json=pack).status_code == 200
    told = opened.get("/api/season/tonight").json()
    assert told["told"]["by"] == "forecast"
    assert told["told"]["minimum_c"] == pytest.approx(-10.0, abs=1.1)
    assert "by the forecast fed in" in opened.get("/tonight", headers=HTML).text


def test_a_forecast_that_ends_before_the_night_does_is_none(
    outdoors: Outdoors, opened: TestClient, tonight: tuple[int, int]
) -> None:
    """Its lowest hour may be still to come: the night is not told by half of it."""
    outdoors.live_through(3, tonight[0] - 5 * HOUR_MS)
    outdoors.at(tonight[0] - 5 * HOUR_MS)
    begin_s = (tonight[0] - 4 * HOUR_MS) / 1000
    opened.put(
        "/api/season/forecast",
        json=[{"n": "outside", "u": "Cel", "t": begin_s + 3600 * hour, "v": 1.0} for hour in range(5)],
    )
    assert opened.get("/api/season/tonight").json()["told"] is None


def test_a_probe_that_was_silent_in_the_evening_is_said(
    outdoors: Outdoors, opened: TestClient, tonight: tuple[int, int]
) -> None:
    """No reading within half an hour of two hours after sunset: no guess."""
    outdoors.live_through(3, tonight[0] - 2 * HOUR_MS)
    outdoors.at(tonight[0] + HOUR_MS)
    assert "silent" in opened.get("/api/season/tonight").json()["why_none"]


def test_a_site_without_an_outside_probe_says_so(client: TestClient) -> None:
    """The page still opens."""
    assert client.get("/api/season/tonight").json()["night"] is None
    assert "no probe with quantity" in client.get("/tonight", headers=HTML).text


CARRY = {
    "starts_ms": NOW_MS,
    "ends_ms": NOW_MS + 10 * HOUR_MS,
    "asked_c": 18.0,
    "outside_c": -6.0,
    "nights": {
        "as it is": {"soil_c": 16.2, "air_c": -2.0, "energy_kwh": 8.4, "short_k": 1.8, "holds_to_c": -2.5},
        "row cover": {"soil_c": 17.9, "air_c": -2.2, "energy_kwh": 6.9, "short_k": 0.1, "holds_to_c": -7.5},
    },
}


def test_whether_the_heater_can_carry_it_is_said_first(outdoors: Outdoors, opened: TestClient) -> None:
    """Short: by how much, how cold it could hold, and what a row cover would change; cost at the site's price."""
    with closing(open_writer(outdoors.folder / "plans.db", PLANS)) as connection:
        plans.put_carry(connection, "larch", NOW_MS, CARRY)
        plans.put_carry(connection, "elder", NOW_MS, None)
    outdoors.live_through(1, NOW_MS)
    shown = " ".join(opened.get("/tonight", headers=HTML).text.replace("\N{NO-BREAK SPACE}", " ").split())
    assert "It cannot hold 18.0 °C: 1.8 K short." in shown
    assert "With full heat it would hold a night down to \N{MINUS SIGN}2.5 °C; the chance that tonight" in shown
    assert "8.4 kWh in 24 h, 2.52 EUR" in shown
    assert "row cover</th>" in shown
    assert "The planner has not come to this enclosure yet." in shown
    assert opened.get("/api/season/tonight").json()["enclosures"]["larch"]["carry"] == CARRY


@pytest.mark.parametrize(("age_h", "known"), [(3.0, True), (3.01, False), (72.0, False)])
def test_what_the_planner_thought_of_another_night_is_not_told(
    outdoors: Outdoors, opened: TestClient, age_h: float, known: bool
) -> None:
    """A planner that has been silent for longer than a plan is followed vouches for no night; it is said to be so."""
    with closing(open_writer(outdoors.folder / "plans.db", PLANS)) as connection:
        thought_ms = NOW_MS - round(age_h * HOUR_MS)
        plans.put_carry(connection, "larch", thought_ms, CARRY)
        plans.put_word(connection, "larch", thought_ms, "")
    outdoors.live_through(1, NOW_MS)
    shown = opened.get("/tonight", headers=HTML).text
    told = opened.get("/api/season/tonight").json()["enclosures"]["larch"]
    assert ("It cannot hold" in shown, "The planner has fallen silent." in shown) == (known, not known)
    assert (told["carry"] is not None, told["at"] is not None) == (known, True)


@pytest.mark.parametrize("content", [b"", b"x" * 8192], ids=["half made", "damaged"])
def test_without_readable_plans_every_page_is_still_there(
    outdoors: Outdoors, opened: TestClient, content: bytes
) -> None:
    """The planner only advises: its file half made or damaged takes away neither an enclosure's page nor tonight's."""
    (outdoors.folder / "plans.db").write_bytes(content)
    outdoors.live_through(1, NOW_MS)
    for path in ("/enclosures/larch", "/tonight"):
        shown = opened.get(path, headers=HTML)
        assert shown.status_code == 200, shown.text
        assert "hat the planner wrote cannot be read." in shown.text
    assert opened.get("/api/enclosures/larch/control").json()["ahead"] == []
    assert opened.get("/api/season/tonight").json()["enclosures"]["larch"]["carry"] is None


@pytest.mark.parametrize(("trips", "begin"), [([], "Expected in"), ([trip_of()], "With heat, which cannot come now, ")])
def test_what_a_plan_expects_of_heat_that_is_locked_off_is_told_as_that(
    outdoors: Outdoors, opened: TestClient, trips: list[dict[str, Any]], begin: str
) -> None:
    """The page of a tripped enclosure expected 18 Cel and 4.5 kWh, as if nothing were."""
    plan = Foresight(NOW_MS, 1800.0, (0.3,) * 72, (18.0,) * 73, (18.0,) * 72, (-1.0,) * 72, (0.0,) * 72)
    with closing(open_writer(outdoors.folder / "plans.db", PLANS)) as connection:
        plans.put_plan(connection, "larch", plan)
    outdoors.hear(status_of(trips=trips))
    ahead = opened.get("/enclosures/larch", headers=HTML).text.partition("Why this much heat")[2]
    assert f'<p class="more">{begin}' in ahead


def test_a_thought_that_cannot_be_read_takes_no_other_away(outdoors: Outdoors, opened: TestClient) -> None:
    """A failing card has spoilt what the planner thought of elder: of larch it is told, and the page is there."""
    with closing(open_writer(outdoors.folder / "plans.db", PLANS)) as connection:
        for name in ("larch", "elder"):
            plans.put_carry(connection, name, NOW_MS, CARRY)
        connection.execute("PRAGMA ignore_check_constraints = ON")
        connection.execute("UPDATE carry SET body = substr(body, 2) WHERE enclosure = 'elder'")
    outdoors.live_through(1, NOW_MS)
    shown = opened.get("/tonight", headers=HTML)
    assert (shown.status_code, shown.text.count("It cannot hold")) == (200, 1)
    told = opened.get("/api/season/tonight").json()["enclosures"]
    assert (told["larch"]["carry"], told["elder"]["carry"]) == (CARRY, None)


LOST = {"name": "node heard", "holds": False, "detail": "the relay node was last heard 3 h ago", "returns": "then"}


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"trips": [trip_of()]}, "Heat is locked off: heater-surface probe"),
        ({"trips": [], "armed": False}, "Not armed: no heat."),
        ({"trips": [], "permissives": [LOST]}, "Off: the relay node was last heard 3 h ago."),
        (None, "Not known: the controller was last heard 3 h ago."),
    ],
    ids=["locked off", "disarmed", "held off", "silent"],
)
def test_a_heater_that_may_not_heat_carries_no_night(
    outdoors: Outdoors, opened: TestClient, tonight: tuple[int, int], changed: dict[str, Any] | None, said: str
) -> None:
    """The planner goes by the record: of heat locked off the page said "It can hold", and of a fig in leaf there that
    it may stay. What heat could do is still told, as that.
    """
    outdoors.live_through(40, tonight[0] + HOUR_MS)
    outdoors.at(tonight[0] + HOUR_MS)
    night = {"soil_c": 18.0, "air_c": 5.0, "energy_kwh": 4.0, "short_k": 0.0, "holds_to_c": -30.0}
    with closing(open_writer(outdoors.folder / "plans.db", PLANS)) as connection:
        plans.put_carry(connection, "larch", tonight[0], {**CARRY, "outside_c": -3.0, "nights": {"as it is": night}})
    fig = {"name": "bed fig", "cultivar": "brown fig", "protection": "tunnel with heat", "stands": "ground"}
    home = {"origin": "http://127.0.0.1:8460"}
    assert opened.post("/api/season/plants", json={**fig, "enclosure": "larch"}, headers=home).status_code == 201
    leaf = {"kind": "stage", "day": "2026-02-20", "code": 15}
    assert opened.post("/api/season/plants/1/notes", json=leaf, headers=home).status_code == 201
    outdoors.hear(status_of(trips=[]))
    shown = opened.get("/tonight", headers=HTML).text.replace("\N{NO-BREAK SPACE}", " ")
    assert ("It can hold 18.0 °C." in shown, "may stay as it is" in shown) == (True, True)
    assert opened.get("/api/season/tonight").json()["enclosures"]["larch"]["unheated"] == ""
    if changed is None:
        outdoors.clock.sleep(3 * 3600.0)
        outdoors.at(tonight[0] + HOUR_MS)
    else:
        outdoors.hear(status_of(**changed))
    shown = opened.get("/tonight", headers=HTML).text.replace("\N{NO-BREAK SPACE}", " ").replace("&#39;", "'")
    assert f'<p class="say">{said}' in shown
    assert "It can hold" not in shown
    assert "With heat: it can hold 18.0 °C. The plan counts with" in shown
    assert ("in danger where it is: more heat or more cover" in shown, "may stay" in shown) == (True, False)
    assert opened.get("/api/season/tonight").json()["enclosures"]["larch"]["unheated"].startswith(said)


def test_sun_on_a_shut_tunnel_makes_no_night_unheated() -> None:
    """Warm air, or air over a limit that has latched nothing, is over by night; a node that is not heard may not be."""
    for name in ("nothing over its limit", "air below its no-heat limit"):
        assert unheated({**status_of(trips=[], permissives=[{**LOST, "name": name}]), "known": True}, Unit.C) == ""
    assert unheated({**status_of(trips=[], permissives=[LOST]), "known": True}, Unit.C).startswith(
        "Off: the relay node"
    )


def test_a_probe_that_fell_silent_vouches_for_no_later_hour(
    outdoors: Outdoors, opened: TestClient, tonight: tuple[int, int]
) -> None:
    """Dead since an hour after it told of the night: at three its lowest passed for the lowest since sunset."""
    outdoors.live_through(40, tonight[0] + HOUR_MS)
    outdoors.at(tonight[0] + HOUR_MS + HOUR_MS // 3)
    assert "silent since" not in opened.get("/tonight", headers=HTML).text
    outdoors.at(tonight[0] + 7 * HOUR_MS)
    shown = opened.get("/tonight", headers=HTML).text
    assert ", as far as is known: the outside probe has been silent since yesterday 21:15." in shown


def test_next_morning_the_expectation_stands_beside_what_was(outdoors: Outdoors, opened: TestClient) -> None:
    """The plan of 17:30 said 17.2 Cel and 2 kWh; it was 16.4 and 3: so the running error says."""
    evening_ms = NOW_MS - NOW_MS % DAY_MS - DAY_MS + 17 * HOUR_MS
    plan = Foresight(
        evening_ms - HOUR_MS // 2, 1800.0, (0.3,) * 72, (17.2,) * 73, (18.0,) * 72, (-1.0,) * 72, (0.0,) * 72
    )
    morning_ms = evening_ms + 14 * HOUR_MS
    with closing(open_writer(outdoors.folder / "plans.db", PLANS)) as connection:
        plans.put_plan(connection, "larch", replace(plan))
    soil = [
        StoredReading("larch", "soil-10", "soil", "Cel", 16.4 if at == 60 else 17.0, ms, ms, "good")
        for at, ms in enumerate(range(evening_ms, morning_ms, TEN_MS))
    ]
    with closing(open_writer(outdoors.folder / "readings.db", READINGS)) as connection:
        keeping.add(connection, soil)
        for event in (
            RunBegan("larch", evening_ms + HOUR_MS),
            RunEnergy("larch", 3 * 3.6e6),
            RunEnded("larch", evening_ms + 7 * HOUR_MS, "no heat wanted now"),
        ):
            apply(connection, event)
    outdoors.at(morning_ms + HOUR_MS)
    error = opened.get("/api/season/tonight").json()["enclosures"]["larch"]["error"]
    assert error["soil_c"] == {
        "nights": 1,
        "mean": pytest.approx(-0.47, abs=0.15),
        "size": pytest.approx(0.47, abs=0.15),
    }
    assert error["energy_kwh"]["mean"] == pytest.approx(3.0 - 0.3 * 14 * 0.45, abs=0.01)
    larch = outdoors.settings.enclosure[0]
    heater = larch.heater.model_copy(update={"relay": "plain"})
    state: State = opened.app.state.soilward  # type: ignore[attr-defined]
    untold = hindsight.past_nights(state, larch.model_copy(update={"heater": heater}))
    assert untold[0].energy_kwh.was is None, "of a relay whose contact nothing tells no heat is on record"
    shown = opened.get("/tonight", headers=HTML).text
    assert "Over 1 night the coldest soil was missed by" in shown


def test_a_forecast_typed_in_is_the_nights_lowest(
    outdoors: Outdoors, opened: TestClient, tonight: tuple[int, int]
) -> None:
    """In Cel or in Fahrenheit; the hours fall to it at sunrise and rise after it; the planner reads the same."""
    outdoors.live_through(5, tonight[0] - 5 * HOUR_MS)
    outdoors.at(tonight[0] - 5 * HOUR_MS)
    home = {"origin": "http://127.0.0.1:8460", **HTML}
    assert opened.post("/tonight/forecast", data={"lowest": "-3,5"}, headers=home).status_code == 303
    told = opened.get("/api/season/tonight").json()["told"]
    assert (told["by"], round(told["minimum_c"], 1)) == ("forecast", -3.5)
    hours = opened.get("/api/season/forecast").json()["hours"]
    assert min(each["outside_c"] for each in hours) == -3.5
    assert hours[-1]["outside_c"] > 0.0
    opened.cookies.set("soilward-unit", "F")
    assert opened.post("/tonight/forecast", data={"lowest": "23"}, headers=home).status_code == 303
    assert opened.get("/api/season/tonight").json()["told"]["minimum_c"] == pytest.approx(-5.0, abs=0.01)


@pytest.mark.parametrize(("lowest", "fault"), [("cold", "is no number"), ("-300", "outside -90 to 60")])
def test_what_cannot_be_a_lowest_is_refused(outdoors: Outdoors, opened: TestClient, lowest: str, fault: str) -> None:
    """422 with the value, the bound and the remedy; nothing is kept."""
    outdoors.live_through(1, NOW_MS)
    answer = opened.post("/tonight/forecast", data={"lowest": lowest}, headers={"origin": "http://127.0.0.1:8460"})
    assert answer.status_code == 422
    assert fault in answer.json()["detail"]
    assert opened.get("/api/season/forecast").json()["hours"] == []


def test_forecasts_are_put_right_by_how_earlier_ones_erred(
    outdoors: Outdoors, opened: TestClient, tonight: tuple[int, int]
) -> None:
    """Twenty evenings fed in 3 K too warm: the twenty-first is taken to be colder than it says."""
    begin_ms = tonight[0] - 5 * HOUR_MS
    outdoors.live_through(25, begin_ms)
    for back in range(20, -1, -1):
        evening_ms = begin_ms - back * DAY_MS
        outdoors.at(evening_ms)
        dark = coming_night(evening_ms, 46.2, 7.5)
        assert dark is not None
        lowest_c = outside_c(dark.sunrise_ms, 4.0) + 3.0
        begin_s = evening_ms / 1000
        pack = [{"n": "outside", "u": "Cel", "t": begin_s + 3600 * hour, "v": lowest_c} for hour in range(1, 22)]
        assert opened.put("/api/season/forecast", json=pack).status_code == 200
    told = opened.get("/api/season/tonight").json()["told"]
    assert told["minimum_c"] == pytest.approx(lowest_c - 2.0, abs=0.6)
    assert "after 20 nights" in told["words"]


def test_each_plant_is_told_what_to_do_with_it(
    outdoors: Outdoors, opened: TestClient, tonight: tuple[int, int]
) -> None:
    """A potted fig in leaf is to be brought in, dormant ones in the ground may stay; those in danger come first, and
    those alike stand together.
    """
    outdoors.live_through(40, tonight[0] + HOUR_MS)
    outdoors.at(tonight[0] + HOUR_MS)
    home = {"origin": "http://127.0.0.1:8460"}
    for name, stands, code in (("bed fig", "ground", 0), ("pot fig", "container", 15), ("other fig", "ground", 0)):
        made = opened.post(
            "/api/season/plants",
            json={"name": name, "cultivar": "brown fig", "protection": "open", "stands": stands},
            headers=home,
        )
        assert made.status_code == 201, made.text
        number = made.json()["number"]
        seen = opened.post(
            f"/api/season/plants/{number}/notes",
            json={"kind": "stage", "day": "2026-02-20", "code": code},
            headers=home,
        )
        assert seen.status_code == 201, seen.text
    shown = opened.get("/tonight", headers=HTML).text
    assert "What is in danger" not in shown
    assert shown.index("bring it in tonight") < shown.index("may stay as it is")
    assert shown.count("may stay as it is") == 1
    assert '<a href="/plants/1">bed fig</a>, <a href="/plants/3">other fig</a>' in shown


@pytest.mark.parametrize(
    ("humidity", "said"),
    [(90.0, "Who sprinkles against frost begins while"), (30.0, "Do not begin to sprinkle now"), (None, "")],
)
def test_what_is_wet_is_colder_than_the_air(
    tmp_path: Path, tonight: tuple[int, int], humidity: float | None, said: str
) -> None:
    """At 4 Cel: near 3 Cel in damp air, below freezing in dry air; without a humidity probe nothing is said."""
    site = Outdoors(tmp_path)
    larch, *others = site.settings.enclosure
    probe = ProbeSettings.model_validate({"name": "damp", "quantity": "humidity"})
    larch = larch.model_copy(update={"probe": (*larch.probe, probe)})
    site.settings = site.settings.model_copy(update={"enclosure": (larch, *others)})
    evening_ms = tonight[0] + TEN_MS
    site.at(evening_ms)
    with site.client() as client:
        site.live_through(40, evening_ms)
        if humidity is not None:
            at_ms = evening_ms - evening_ms % TEN_MS - TEN_MS
            row = StoredReading("larch", "damp", "humidity", "%RH", humidity, at_ms, at_ms, "good")
            with closing(open_writer(site.folder / "readings.db", READINGS)) as connection:
                keeping.add(connection, [row])
        shown = client.get("/tonight", headers=HTML).text
        assert ("(wet bulb)" in shown, said in shown) == (humidity is not None, True)


def fed_sky(
    tonight: tuple[int, int], wind_m_s: float, cloud_pct: float, lowest_c: float = 3.0
) -> list[dict[str, object]]:
    """Return a forecast of a night with wind and cloud."""
    begin_s = (tonight[0] - 4 * HOUR_MS) / 1000
    told = {"outside": ("Cel", lowest_c), "wind": ("m/s", wind_m_s), "cloud": ("%", cloud_pct)}
    return [
        {"n": name, "u": unit, "t": begin_s + 3600 * hour, "v": value}
        for hour in range(18)
        for name, (unit, value) in told.items()
    ]


@pytest.mark.parametrize(
    ("wind_m_s", "cloud_pct", "leaves", "leafed_c"),
    [
        (0.5, 10.0, "1 to 3 K colder than the air: the night is clear and calm.", 4.0),
        (4.0, 10.0, "Wind of 4 m/s keeps leaves as warm as the air.", 2.0),
        (0.5, 80.0, "Cloud over 80 % of the sky keeps leaves nearly as warm as the air.", 2.0),
    ],
)
def test_a_clear_calm_night_is_colder_for_leaves(
    outdoors: Outdoors, opened: TestClient, tonight: tuple[int, int], wind_m_s: float, cloud_pct: float,
    leaves: str, leafed_c: float,
) -> None:  # fmt: skip
    """By the forecast's wind and cloud: leaves in the open come 3 K below the air, and are warned of at +4 Cel."""
    outdoors.live_through(3, tonight[0] - 5 * HOUR_MS)
    outdoors.at(tonight[0] - 5 * HOUR_MS)
    assert opened.put("/api/season/forecast", json=fed_sky(tonight, wind_m_s, cloud_pct)).status_code == 200
    found = opened.get("/api/season/tonight").json()
    limits = {each["stage"]: each["air_c"] for each in found["limits"] if each["place"] == "ground"}
    assert (limits["leafed"], limits["dormant"]) == (leafed_c, -10.0)
    below_k = 3.0 if leafed_c == 4.0 else 0.0
    assert found["leaves"]["coldest_c"] == pytest.approx(found["told"]["minimum_c"] - below_k)
    assert leaves in opened.get("/tonight", headers=HTML).text.replace("\N{NO-BREAK SPACE}", " ")


def test_without_wind_and_cloud_leaves_are_told_of_at_their_worst(
    outdoors: Outdoors, opened: TestClient, tonight: tuple[int, int]
) -> None:
    """And that it is not known; the alarm stays where it is."""
    outdoors.live_through(40, tonight[0] + HOUR_MS)
    outdoors.at(tonight[0] + HOUR_MS)
    found = opened.get("/api/season/tonight").json()
    assert [each["air_c"] for each in found["limits"] if each["stage"] == "leafed"] == [2.0, 2.0]
    assert "not known to be windy or cloudy" in found["leaves"]["words"]
    assert "so taken as clear and calm" in opened.get("/tonight", headers=HTML).text


@pytest.mark.parametrize(
    ("spreads", "verdict"),
    [(-9.0, "It can hold 18.0 °C."), (-1.0, "It may not hold 18.0 °C."), (1.0, "It will hardly hold 18.0 °C.")],
)
def test_the_heater_is_judged_by_tonight_as_well_as_by_the_plan(
    outdoors: Outdoors, opened: TestClient, tonight: tuple[int, int], spreads: float, verdict: str
) -> None:
    """The plan counts with a mild night; where full heat holds no colder one than the probe tells of, that is said."""
    outdoors.live_through(40, tonight[0] + HOUR_MS)
    outdoors.at(tonight[0] + HOUR_MS)
    told = opened.get("/api/season/tonight").json()["told"]
    holds_to_c = told["minimum_c"] + spreads * told["spread_k"]
    nights = {"as it is": {"soil_c": 18.0, "air_c": 2.0, "energy_kwh": 4.0, "short_k": 0.0, "holds_to_c": holds_to_c}}
    with closing(open_writer(outdoors.folder / "plans.db", PLANS)) as connection:
        plans.put_carry(connection, "larch", tonight[0], {**CARRY, "outside_c": 3.0, "nights": nights})
    shown = opened.get("/tonight", headers=HTML).text.replace("\N{NO-BREAK SPACE}", " ")
    assert verdict in shown
    chance = opened.get("/api/season/tonight").json()["enclosures"]["larch"]["chance_colder"]
    assert f"; the chance that tonight is colder is {chance_said(chance)}." in shown


def test_air_inside_is_taken_to_fall_with_the_night() -> None:
    """By as much as tonight is told colder than the plan counts with; a milder night changes nothing."""
    carry = {"outside_c": 3.0, "nights": {"as it is": {"air_c": 6.0, "energy_kwh": 4.0}}}
    assert inside_air_c(carry, Forecast(-1.0, 1.0, 30, False, False, "")) == 2.0
    assert inside_air_c(carry, Forecast(5.0, 1.0, 30, False, False, "")) == 6.0
    assert (inside_air_c(carry, None), inside_air_c(None, None)) == (6.0, None)
    assert inside_air_c(carry, Forecast(-1.0, 1.0, 30, False, False, ""), heated=False) == -1.0
    assert (inside_air_c(carry, None, heated=False), inside_air_c(None, None, heated=False)) == (3.0, None)
    bare = {"outside_c": 3.0, "nights": {"as it is": {"air_c": 6.0, "energy_kwh": 0.0}}}
    assert inside_air_c(bare, Forecast(-1.0, 1.0, 30, False, False, ""), heated=False) == 2.0


def test_limits_in_settings_are_those_of_the_page(outdoors: Outdoors, tonight: tuple[int, int]) -> None:
    """And are said to be one's own."""
    frost = Frost.model_validate({"leafed_ground": -1.0})
    outdoors.settings = outdoors.settings.model_copy(update={"season": Season(frost=frost)})
    outdoors.live_through(40, tonight[0] + HOUR_MS)
    outdoors.at(tonight[0] + HOUR_MS)
    with outdoors.client() as client:
        limits = client.get("/api/season/tonight").json()["limits"]
        found = {each["place"]: (each["air_c"], each["basis"]) for each in limits if each["stage"] == "leafed"}
        assert found == {"ground": (-1.0, "your own"), "container": (2.0, "common practice")}
        assert "<small>your own</small>" in client.get("/tonight", headers=HTML).text


@pytest.mark.parametrize(("dew_c", "radiates"), [(None, True), (-2.1, True), (-2.0, False), (1.0, False)])
def test_dew_keeps_leaves_from_the_worst(dew_c: float | None, radiates: bool) -> None:
    """Where it settles before the lowest is reached it warms them; what is not measured counts as dry."""
    told = Foretold("probe", Forecast(-2.0, 1.0, 30, False, False, ""), 4.0, dew_c, ())
    dark = dark_of(date(2026, 3, 1), 46.2, 7.5)
    assert dark is not None
    night = Tonight(dark, told, "", choose([]), None, NightSky(0.5, 0.1))
    assert night.clear_calm_dry is radiates
    assert not replace(night, sky=NightSky(0.5, None)).clear_calm_dry
    assert not replace(night, sky=NightSky(None, 0.1)).clear_calm_dry
    assert not replace(night, told=None).clear_calm_dry
