"""What a page offers when heat must go or an alert is in the way: stop, at work, put aside; and what is refused."""

import json
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from api.people import Role
from api.state import State
from controller.clock import rfc3339
from controller.report import status_of
from controller.store.requests import Request, after
from tests.api_site import ApiSite
from tests.core_site import Bed, plan_of
from tests.unit.pages_site import HOUR_MS, NOW_MS, alert_of, open_site, status

SAME_ORIGIN = {"sec-fetch-site": "same-origin"}
STOP = r'<form class="stop" method="post" action="/enclosures/{name}/stop"><button class="halt">Stop heat now</button>'


@pytest.fixture
def site(tmp_path: Path) -> Iterator[TestClient]:
    with open_site(tmp_path) as client:
        yield client


def state_of(site: TestClient) -> State:
    return site.app.state.soilward  # type: ignore[attr-defined, no-any-return]


def hear(site: TestClient, **changed: object) -> None:
    """Let larch's controller say something else."""
    said = {**status("larch"), **changed}
    state_of(site).live.accept("soilward/larch/status", json.dumps(said).encode())


def filed(site: TestClient) -> list[Request]:
    return state_of(site).requests.do(after, 0)


def hidden(text: str, form: str) -> dict[str, str]:
    """Return the hidden fields of the form with this action."""
    (found,) = re.findall(rf'action="{re.escape(form)}".*?</form>', text, re.S)
    fields = re.findall(r'type="hidden" name="(\w+)" value="([^"]*)"', found)
    return {name: value.replace("&#34;", '"') for name, value in fields}


@pytest.mark.parametrize("path", ["/", "/enclosures/larch"])
def test_stop_is_one_tap_on_the_site_page_and_on_the_enclosure_s(site: TestClient, path: str) -> None:
    """One plain button in one form with nothing to fill in: it needs no script and asks no question."""
    assert re.search(STOP.format(name="larch"), site.get(path).text)
    answer = site.post("/enclosures/larch/stop", headers=SAME_ORIGIN)
    assert (answer.status_code, answer.headers["location"]) == (303, "/enclosures/larch?asked=1")
    (request,) = filed(site)
    assert (request.kind, request.enclosure, request.arguments, request.who) == ("stop", "larch", {}, "local")


def test_an_alert_whose_words_change_is_given_anew(site: TestClient) -> None:
    """An open page must not go on saying 61 Cel at 70, or that it is not urgent."""
    versions = []
    for detail, urgent in (("air reads 61.2 Cel", False), ("air reads 61.2 Cel", True), ("air reads 70.4 Cel", True)):
        hear(site, alerts=[alert_of(detail, name="sun-or-fire", urgent=urgent)])
        text = site.get("/enclosures/larch/section?size=large").text
        versions += re.findall(r'data-live="larch/alerts" data-version="([^"]*)"', text)
    assert len(set(versions)) == 3


def test_a_stop_that_nobody_answers_sends_the_person_to_the_switch(site: TestClient) -> None:
    """For 5 s the page waits; after that it says what to do by hand."""
    site.post("/enclosures/larch/stop", headers=SAME_ORIGIN)
    state_of(site).clock.sleep(5.0)
    assert "Waiting for the controller" in site.get("/enclosures/larch?asked=1").text
    state_of(site).clock.sleep(0.001)
    shown = site.get("/enclosures/larch?asked=1").text
    assert '<section class="answer no" role="status" data-waiting="1">' in shown
    assert "No answer: switch the heater off at its socket." in shown


def test_a_viewer_is_offered_no_button_that_would_be_refused(tmp_path: Path) -> None:
    """Who may only look sees alerts and numbers, and no form for a change."""
    site = ApiSite(tmp_path)
    token = site.add_person("neighbour", Role.VIEW)
    with site.client(Authorization=f"Bearer {token}", Accept="text/html") as client:
        site.hear()
        for path in ("/", "/enclosures/larch"):
            text = client.get(path).text
            assert "Stop heat now" not in text
            assert re.findall(r'action="/enclosures[^"]*"', text) == []


def test_working_there_takes_minutes_and_no_reason(site: TestClient) -> None:
    """The reason may be left out; more than an hour is refused in words."""
    answer = site.post("/enclosures/larch/at-work", data={"minutes": "30"}, headers=SAME_ORIGIN)
    assert answer.status_code == 303
    (request,) = filed(site)
    assert (request.kind, request.arguments, request.why) == ("at-work", {"minutes": 30.0}, "working there")
    refused = site.post("/enclosures/larch/at-work", data={"minutes": "61"}, headers=SAME_ORIGIN)
    assert refused.status_code == 422
    assert "write at most 60" in refused.text


def test_an_alert_can_be_put_aside_for_1_4_or_8_hours(site: TestClient) -> None:
    """The alert's line carries the form; what is filed names the alert and the hours."""
    hear(site, alerts=[alert_of("air probe 'air-low' has gone quiet")])
    text = site.get("/enclosures/larch").text
    assert re.findall(r'name="hours" value="(\d+)">Quiet for', text) == ["1", "4", "8"]
    form = {**hidden(text, "/enclosures/larch/shelve"), "hours": "4", "why": "new one ordered"}
    assert site.post("/enclosures/larch/shelve", data=form, headers=SAME_ORIGIN).status_code == 303
    assert filed(site)[0].arguments == {"alert": "probe:air-low", "hours": 4}


def test_alerts_stand_urgent_first_and_what_was_put_aside_last(site: TestClient) -> None:
    """Each alert says since when, and until when it is quiet; on the site page the quiet ones are only counted."""
    shelved = alert_of("heater-case is dusty", name="dusty", shelved_until=rfc3339(NOW_MS + 2 * HOUR_MS))
    plain = alert_of("air probe 'air-low' has gone quiet")
    urgent = alert_of("air reached 58.0 Cel: go and look", name="air-hot", urgent=True)
    hear(site, alerts=[shelved, plain, urgent])
    text = site.get("/enclosures/larch").text.replace("\N{NO-BREAK SPACE}", " ")
    order = [text.index(part) for part in ("Air reached 58.0 °C: go and look.", "has gone quiet.", "is dusty.")]
    assert order == sorted(order)
    assert "Since 04:12" in text
    assert "Put aside until 07:12." in text
    card = site.get("/").text
    assert '<li class="urgent"><b>Air reached' in card
    assert "is dusty" not in card
    assert "1 alert put aside." in card


def test_many_silent_probes_are_told_in_one_line_and_each_can_still_be_put_aside(site: TestClient) -> None:
    """One dead node silences all its probes: what a person must see first stays on the first screen."""
    names = ["air-low", "soil-10", "outside"]
    silent = [alert_of(f"{each} probe '{each}' has gone quiet", name=f"probe:{each}") for each in names]
    other = alert_of("heater-case is dusty", name="dusty")
    hear(site, alerts=[*silent, other])
    card = site.get("/").text
    assert card.count("gone quiet") == 1
    assert "3 probes have gone quiet: air-low, soil-10, outside." in card
    text = site.get("/enclosures/larch").text
    assert re.findall(r'name="alert" value="([^"]+)"', text) == [*(f"probe:{each}" for each in names), "dusty"]
    hear(site, alerts=[*silent[:2], other])
    assert site.get("/").text.count("has gone quiet") == 2


def test_an_urgent_alert_brings_its_enclosure_to_the_front(site: TestClient) -> None:
    """After those with a trip come those that somebody must look at."""
    hear(site, alerts=[])
    state = state_of(site)
    calm = {**status("southwall"), "alerts": [alert_of("go and look", urgent=True)]}
    state.live.accept("soilward/southwall/status", json.dumps(calm).encode())
    cards = re.findall(r'<article class="card[^"]*" data-enclosure="(\w+)"', site.get("/").text)
    assert cards == ["southwall", "larch"]


def test_a_page_that_is_behind_is_refused_with_what_changed(site: TestClient) -> None:
    """The form carries what its reader saw; when somebody else has asked since, nothing is filed and it says who."""
    form = hidden(site.get("/enclosures/larch").text, "/enclosures/larch/set-point")
    asked = {**form, "set_point": "17", "why": "a mild night"}
    assert site.post("/enclosures/larch/set-point", data=asked, headers=SAME_ORIGIN).status_code == 303
    late = site.post("/enclosures/larch/set-point", data={**asked, "set_point": "20"}, headers=SAME_ORIGIN)
    assert late.status_code == 412
    text = late.text.replace("\N{NO-BREAK SPACE}", " ")
    assert "local asked for 17.0 °C (a mild night). Nothing was asked; look again first." in text
    assert "Look again at larch" in text
    assert len(filed(site)) == 1


def test_a_page_that_is_behind_is_told_times_as_people_say_them(site: TestClient) -> None:
    """Until when a person's wish stands: it was told as the controller writes it, to the millisecond."""
    until = rfc3339(NOW_MS + 12 * HOUR_MS)
    hear(site, set_point={"asked_c": 19.5, "working_c": 19.0, "source": "person", "until": until})
    form = {"set_point": "15", "why": "a mild night", "hours": "12", "seen": '"0.armed.x.y"'}
    late = site.post("/enclosures/larch/set-point", data=form, headers=SAME_ORIGIN)
    assert late.status_code == 412
    assert "°C until 17:12; no trip is latched." in late.text


@pytest.mark.parametrize("change", ["arm", "reset", "schedule"])
def test_each_form_that_could_bring_heat_carries_what_was_seen(site: TestClient, change: str) -> None:
    """Arm, reset and back to the schedule are refused from a page that is behind."""
    person = {"asked_c": 19.5, "working_c": 19.0, "source": "person", "until": None}
    trip = {**status("southwall", [{"name": "air-fire:air-low", "cause_gone": True}])["trips"][0]}
    trip |= {"at_ms": NOW_MS, "detail": "air reached 58.0 Cel", "kind": "air-fire", "resets_24h": 0}
    hear(site, armed=False, set_point=person, trips=[trip])
    form = {**hidden(site.get("/enclosures/larch").text, f"/enclosures/larch/{change}"), "why": "looked at it"}
    site.post("/enclosures/larch/disarm", data={"why": "cable dug up"}, headers=SAME_ORIGIN)
    late = site.post(f"/enclosures/larch/{change}", data=form, headers=SAME_ORIGIN)
    assert late.status_code == 412
    assert "asked to disarm (cable dug up)" in late.text
    assert len(filed(site)) == 1


@pytest.mark.parametrize("change", ["stop", "disarm", "at-work"])
def test_taking_heat_away_is_never_too_late(site: TestClient, change: str) -> None:
    """From a page that is far behind, heat can still be taken away."""
    site.get("/enclosures/larch")
    site.post("/enclosures/larch/arm", data={"why": "frost is coming"}, headers=SAME_ORIGIN)
    form = {"why": "smell of burning", "minutes": "15", "seen": '"0.unknown.x.y"'}
    assert site.post(f"/enclosures/larch/{change}", data=form, headers=SAME_ORIGIN).status_code == 303
    assert filed(site)[-1].kind == change


def test_a_page_says_plainly_since_when_the_controller_is_silent(site: TestClient) -> None:
    """By the clock, so that the sentence stays true while the page stays open; and the card is marked."""
    state_of(site).clock.sleep(16)
    text = site.get("/").text
    assert "Not known: nothing heard from the controller since 05:12." in text
    assert 'class="card silent" data-enclosure="larch"' in text
    assert 'data-known="0"' in site.get("/enclosures/larch/section").text


@pytest.mark.parametrize(
    ("proved_at", "words"),
    [(None, "No proof test is on record."), (rfc3339(NOW_MS - 24 * HOUR_MS), "The last proof test passed yesterday ")],
)
def test_the_page_says_when_the_safeguards_were_last_proved(
    site: TestClient, proved_at: str | None, words: str
) -> None:
    """A person looks for it where the page says what heat needs."""
    hear(site, proved_at=proved_at)
    assert f'<p class="more">{words}' in site.get("/enclosures/larch").text


@pytest.mark.parametrize(("amps", "said"), [(0.0, 0), (None, 1)])
def test_where_no_current_is_sensed_the_page_says_how_late_a_welded_relay_shows_and_recommends_a_sensor(
    site: TestClient, amps: float | None, said: int
) -> None:
    """K02: from the node's report to the page; with a sensor, even one that reads nothing, not a word of it."""
    bed = Bed(plan_of(), {"soil": 10.0, "air": 8.0}, node={"amps": amps}).run(30)
    hear(site, heat=status_of(bed.plan, bed.state, bed.now, 1)["heat"])
    text = site.get("/enclosures/larch").text
    assert text.count("senses no current") == said
    assert text.count("after an hour or more") == text.count("Fit a current sensor") == said


def test_of_a_node_that_is_not_heard_nothing_is_said_of_its_sensor(site: TestClient) -> None:
    """What is not known is not guessed."""
    bed = Bed(plan_of(), {"soil": 10.0, "air": 8.0}, node_speaks=False).run(30)
    hear(site, heat=status_of(bed.plan, bed.state, bed.now, 1)["heat"])
    assert "senses no current" not in site.get("/enclosures/larch").text
