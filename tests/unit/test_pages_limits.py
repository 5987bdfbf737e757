"""The page of limits as drawn and worded: one scale of the hot ones, no name of the code, a way to each heading."""

import re
from contextlib import closing
from pathlib import Path

import pytest

from api.pages.limit_scale import LINE, Hot, scale
from api.pages.words import Unit
from controller.limit_table import grouped, hard_limits
from controller.proving import criteria
from controller.proving.account import Account, Outcome, Result, entry_of
from controller.store import journal
from controller.store.connection import open_writer
from controller.store.journal import Entry
from controller.store.migrations import JOURNAL
from tests.api_site import ApiSite
from tests.unit.pages_site import NOW_MS, open_site

SOIL, FIRE = Hot("SOIL_TRIP_C", "soil trip", 40.0), Hot("AIR_FIRE_C", "air fire", 57.0)


def test_the_hottest_limit_stands_highest_and_heights_are_to_scale() -> None:
    """Twice the difference is twice the distance."""
    drawn = scale([SOIL, Hot("HEATER_SURFACE_C", "heater surface", 74.0), FIRE], Unit.C)
    assert [each.said for each in drawn.marks] == ["heater surface", "air fire", "soil trip"]
    first, second, third = (each.y for each in drawn.marks)
    assert third - second == pytest.approx(second - first)
    assert second > first


def test_words_of_limits_close_together_do_not_touch() -> None:
    """Heights stay true, the words give way downwards."""
    drawn = scale([SOIL, Hot("HIGHEST_SET_POINT_C", "highest set point", 39.0)], Unit.C)
    one, other = drawn.marks
    assert other.y - one.y < LINE
    assert other.text_y - one.text_y == LINE
    assert drawn.height > other.text_y


def test_limits_at_one_height_share_a_line_and_tighter_ones_are_pale() -> None:
    """A hard limit and one that an enclosure has made its own are never one line."""
    both = [SOIL, Hot("AIR_NO_HEAT_C", "air no heat", 40.0), Hot("AIR_FIRE_C", "air fire", 40.0, "larch")]
    drawn = scale(both, Unit.C)
    assert [(each.said, each.pale) for each in drawn.marks] == [
        ("soil trip, air no heat", False),
        ("air fire at larch", True),
    ]


def test_what_is_no_hot_limit_is_not_drawn() -> None:
    """A range of plausible values is no height to stay under."""
    assert scale([Hot("WORKING_RANGE_C", "working range", -40.0)], Unit.C).marks == ()


@pytest.mark.parametrize(("unit", "figure"), [("C", "40.0 °C"), ("F", "104.0 °F")])
def test_the_drawing_is_said_to_who_cannot_see_it_in_their_unit(tmp_path: Path, unit: str, figure: str) -> None:
    """The drawing's own words hold every hot limit, and what is tighter where."""
    with open_site(tmp_path) as client:
        client.cookies.set("soilward-unit", unit)
        text = client.get("/limits").text.replace("\u00a0", " ")
    (spoken,) = re.findall(r'class="ladder"[^>]*aria-label="([^"]*)"', text)
    assert f"{figure} soil trip" in spoken
    assert "heater surface" in spoken


def test_no_name_of_the_code_is_left_in_the_words(tmp_path: Path) -> None:
    """Where one limit points to another, it does so as people call it."""
    with open_site(tmp_path) as client:
        text = re.sub(r"<[^>]*>", " ", client.get("/limits").text)
    assert "as soil trip, its upper end" in text
    assert [each.name for each in hard_limits() if each.name in text] == []


def test_each_heading_can_be_reached_from_the_top(tmp_path: Path) -> None:
    """A link for every group, to a place that is on the page."""
    with open_site(tmp_path) as client:
        text = client.get("/limits").text
    links = re.findall(r'href="#(group-\d)"', text)
    assert len(links) == len(grouped())
    assert all(f'id="{each}"' in text for each in links)


def test_what_a_proof_test_measured_stands_as_the_tighter_rise_in_force(tmp_path: Path) -> None:
    """On the page and for programs: twice the steepest minute and 3 K, at the enclosure that was proved."""
    rated_a = 2000.0 / 230.0
    pulse = criteria.risen(criteria.answered("air-ridge", 1.0, 80.0, None), 1.0)
    steps = tuple(
        Outcome(name, "", "", Result.PASSED, each.said, each.figures)
        for name, each in (("current", criteria.current(rated_a, 0.0, rated_a)), ("heat-pulse", pulse))
    )
    proved = Account("southwall", "keeper", "new heater", NOW_MS, 60.0, False, False, steps)
    with open_site(tmp_path) as client:
        before = client.get("/limits").text
        with closing(open_writer(tmp_path / "journal.db", JOURNAL)) as connection:
            journal.append(connection, [entry_of(proved, 1)])
        after, told = client.get("/limits").text, client.get("/api/limits").json()
    assert "tighter at southwall" not in before
    assert "tighter at southwall: 5\N{NO-BREAK SPACE}K/min" in after
    assert {each["name"]: each["tightened"] for each in told if each["tightened"]} == {
        "AIR_RISE_K_PER_MIN": {"southwall": 5.0}
    }


def test_the_acting_of_a_limit_carries_its_age(tmp_path: Path) -> None:
    """Local time, then how long ago."""
    site = ApiSite(tmp_path)
    at_ms = site.clock.now().utc_ms - 2 * 3_600_000
    with closing(open_writer(site.folder / "journal.db", JOURNAL)) as connection:
        journal.append(connection, [Entry("trip", "larch", "soilward", "hot", {"trip": "air-fire:air"}, at_ms)])
    with site.client() as client:
        assert re.search(r"Last acted (yesterday )?\d\d:\d\d, 2\sh ago\.", client.get("/limits").text)
