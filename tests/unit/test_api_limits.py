"""The hard limits over HTTP: nothing left out, in the reader's unit, with what is in force and when each last acted."""

import re
from contextlib import closing
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from api.people import Role
from controller.limit_table import grouped, hard_limits
from controller.store import journal
from controller.store.connection import open_writer
from controller.store.journal import Entry
from controller.store.migrations import JOURNAL
from tests.api_site import ApiSite
from tests.unit.pages_site import open_site


def test_every_limit_stands_under_one_heading() -> None:
    """A limit added to the code appears on the page; one that is renamed is not lost."""
    found = [each.name for limits in grouped().values() for each in limits]
    assert sorted(found) == sorted(each.name for each in hard_limits())
    assert all(grouped().values())


def test_programs_get_every_limit_and_when_it_acted(tmp_path: Path) -> None:
    """The figures as in the code, and the journal's newest acting."""
    site = ApiSite(tmp_path)
    with closing(open_writer(site.folder / "journal.db", JOURNAL)) as connection:
        journal.append(
            connection, [Entry("trip", "larch", "soilward", "hot", {"trip": "soil-over:soil"}, 1_772_338_322_000)]
        )
    with site.client() as client:
        found = {each["name"]: each for each in client.get("/api/limits").json()}
    assert set(found) == {each.name for each in hard_limits()}
    assert found["SOIL_TRIP_C"]["figures"] == [40.0]
    assert found["SOIL_TRIP_C"]["acted"] == "2026-03-01T04:12:02.000Z"
    assert (found["AIR_FIRE_C"]["acted"], found["AIR_FIRE_C"]["acting_is_recorded"]) == (None, True)
    assert (found["TICK_S"]["acted"], found["TICK_S"]["acting_is_recorded"]) == (None, False)


@pytest.mark.parametrize(("unit", "trip"), [("C", "40.0 °C"), ("F", "104.0 °F")])
def test_people_read_them_in_their_unit(tmp_path: Path, unit: str, trip: str) -> None:
    """Every limit by its words, temperatures in the chosen unit, the caution once."""
    with open_site(tmp_path) as client:
        client.cookies.set("soilward-unit", unit)
        reply = client.get("/limits")
    assert reply.status_code == 200
    text = re.sub(r"\s+", " ", re.sub(r"<[^>]*>", " ", reply.text)).replace("\u202f", " ").replace("\u00a0", " ")
    assert trip in text
    assert " Cel" not in text
    assert all(each.words in text for each in hard_limits())
    assert text.count("licensed electrician") == 1


def test_nobody_reads_them_without_a_right_to(tmp_path: Path) -> None:
    """They tell of the site's settings: signed in or on this machine only."""
    site = ApiSite(tmp_path)
    site.add_person("keeper", Role.VIEW)
    with site.client() as client:
        assert client.get("/api/limits").status_code == 401


def test_a_site_without_a_journal_says_that_nothing_acted(tmp_path: Path) -> None:
    """The page opens before anything has happened."""
    client: TestClient
    with open_site(tmp_path, False, False) as client:
        text = client.get("/limits").text
    assert "Has not acted." in text
    assert "Its acting is not recorded." in text


def test_a_day_keeps_its_capital(tmp_path: Path) -> None:
    """When a limit last acted is said in local time, as people write it."""
    site = ApiSite(tmp_path)
    with closing(open_writer(site.folder / "journal.db", JOURNAL)) as connection:
        journal.append(
            connection, [Entry("trip", "larch", "soilward", "hot", {"trip": "soil-over:soil"}, 1_740_802_322_000)]
        )
    with site.client() as client:
        assert re.search(r"Last acted 1 March 2025 \d\d:12, \d+ days ago\.", client.get("/limits").text)


def test_programs_are_told_the_shape_of_a_limit(tmp_path: Path) -> None:
    """The description gives a schema whose fields are those of its example."""
    with ApiSite(tmp_path).client() as client:
        described = client.get("/openapi.json").json()
    shown = described["paths"]["/api/limits"]["get"]["responses"]["200"]["content"]["application/json"]
    fields = described["components"]["schemas"]["LimitAnswer"]["properties"]
    assert shown["schema"]["items"]["$ref"].endswith("/LimitAnswer")
    assert set(shown["example"][0]) == set(fields)


def test_a_tighter_value_in_force_is_said_with_its_enclosure(tmp_path: Path) -> None:
    """Only where the settings tighten: one enclosure of two."""
    with ApiSite(tmp_path).client() as client:
        found = {each["name"]: each["tightened"] for each in client.get("/api/limits").json()}
        text = client.get("/limits").text.replace("\u00a0", " ")
    assert found["HIGHEST_SET_POINT_C"] == {"elder": 25.0}
    assert "elder: 25.0 °C" in text
    assert "larch: " not in text
