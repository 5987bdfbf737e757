"""Why this much heat, over HTTP."""

from contextlib import closing

from fastapi.testclient import TestClient

from controller.control.foresight import Foresight
from controller.store import plans
from controller.store.connection import open_writer
from controller.store.migrations import PLANS
from controller.store.plans import Learnt
from tests.api_site import NOW_MS, ApiSite, status_of
from tests.thermal_site import CABLE

CONTROL = {
    "duty": 0.41,
    "terms": {"feedback": 0.12, "outside": 0.33, "sun": -0.04, "plan": 0.0},
    "below_k": 0.4,
    "planned": False,
    "words": "41 %: 12 for the soil being 0.4 K low, 33 for the cold outside, 4 less for the sun.",
}


def plan(site: ApiSite, word: str = "") -> None:
    """Leave a plan as the planner does: a coldest hour at its third step."""
    made = Foresight(
        NOW_MS - 600_000,
        1800.0,
        (1.0, 0.5, 0.0, 0.2),
        (17.5, 17.4, 17.2, 16.9, 17.3),
        (18.0,) * 4,
        (-2.0,) * 4,
        (0.0,) * 4,
    )
    with closing(open_writer(site.folder / "plans.db", PLANS)) as connection:
        plans.put_plan(connection, "larch", made)
        plans.put_word(connection, "larch", NOW_MS - 600_000, word)
        plans.put_learnt(connection, "larch", Learnt(NOW_MS - 86_400_000, CABLE, {"rise_24h_k": (6.0, 5.0, 7.2)}))


def test_terms_plan_and_figures_are_given(site: ApiSite, client: TestClient) -> None:
    """Now, ahead, and what was learnt, each with its time."""
    site.hear(status_of(control=CONTROL))
    plan(site)
    told = client.get("/api/enclosures/larch/control").json()
    assert told["now"] == CONTROL
    assert [each["duty"] for each in told["ahead"]] == [1.0, 0.5, 0.0, 0.2]
    assert told["ahead"][2]["soil_c"] == 16.9
    assert told["learnt"]["figures"]["rise_24h_k"] == {"value": 6.0, "low": 5.0, "high": 7.2}
    assert told["planner"]["word"] == ""


def test_a_planner_that_never_ran_is_said_to_have_not(site: ApiSite, client: TestClient) -> None:
    """Nothing on disk, nothing invented."""
    told = client.get("/api/enclosures/larch/control").json()
    assert (told["ahead"], told["learnt"], told["now"]) == ([], None, None)
    assert told["planner"] == {"at": None, "word": "the planner has not run yet"}


def test_old_status_tells_no_terms(site: ApiSite, client: TestClient) -> None:
    """Why there was heat a minute ago is not why there is some now."""
    site.hear(status_of(control=CONTROL))
    site.clock.sleep(40)
    assert client.get("/api/enclosures/larch/control").json()["now"] is None


def test_an_unknown_enclosure_is_named(client: TestClient) -> None:
    """404 and who is known."""
    answer = client.get("/api/enclosures/oak/control")
    assert (answer.status_code, "known: larch" in answer.json()["detail"]) == (404, True)


def test_the_page_says_it_in_words(site: ApiSite, client: TestClient) -> None:
    """The share of each cause, the coldest hour ahead, and the heat until tomorrow."""
    site.hear(status_of(control=CONTROL))
    plan(site)
    page = client.get("/enclosures/larch").text.replace("\N{NO-BREAK SPACE}", " ")
    assert "12 for the soil being 0.4 K low" in page
    assert "soil no colder than 16.9" in page
    assert "Full heat for a day lifts this soil by 6 K, likely 5 to 7" in page


def test_the_page_says_why_there_is_no_plan(site: ApiSite, client: TestClient) -> None:
    """The planner's own reason."""
    site.hear(status_of(control=CONTROL))
    with closing(open_writer(site.folder / "plans.db", PLANS)) as connection:
        plans.put_word(connection, "larch", NOW_MS, "the outside probe was silent")
    assert "No plan for the hours ahead: the outside probe was silent." in client.get("/enclosures/larch").text


def test_a_model_adopted_without_what_is_likely_breaks_no_page(site: ApiSite, client: TestClient) -> None:
    """It may be left out: then nothing is said of it."""
    site.hear(status_of(control=CONTROL))
    plan(site)
    with closing(open_writer(site.folder / "plans.db", PLANS)) as connection:
        plans.put_learnt(connection, "larch", Learnt(NOW_MS - 1000, CABLE, {}))
    assert client.get("/api/enclosures/larch/control").json()["learnt"]["figures"] == {}
    page = client.get("/enclosures/larch")
    assert page.status_code == 200
    assert "Full heat for a day" not in page.text
