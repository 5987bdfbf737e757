"""The tag of the standing orders: what it stands for, and what a stale one is told."""

from typing import Any

import pytest
from fastapi.testclient import TestClient

from tests.api_site import NOW_MS, ApiSite, status_of, trip_of

LARCH = "/api/enclosures/larch"
PERSON = {"asked_c": 19.5, "working_c": 18.4, "source": "person", "until": "2026-03-02T06:00:00Z"}


def tag(client: TestClient) -> str:
    """Return the tag larch carries now."""
    return client.get(LARCH).headers["etag"]


@pytest.mark.parametrize(
    "changed",
    [
        {"soil_c": 12.0},
        {"at_ms": NOW_MS + 5000},
        {"heat": {**status_of()["heat"], "contact": False}},
        {"set_point": {"asked_c": 17.0, "working_c": 16.0, "source": "schedule", "until": None}},
        {"trips": [trip_of(cause_gone=False, resets_24h=2)]},
        {"alerts": [{"name": "x"}]},
    ],
)
def test_what_nobody_ordered_leaves_the_tag_alone(site: ApiSite, client: TestClient, changed: dict[str, Any]) -> None:
    """Readings, the schedule's own steps, alerts and a cause that came back change no order."""
    site.hear()
    before = tag(client)
    site.hear(status_of(**changed))
    assert tag(client) == before


@pytest.mark.parametrize(
    "changed",
    [
        {"armed": False},
        {"set_point": PERSON},
        {"trips": []},
        {"trips": [trip_of(at_ms=NOW_MS + 1)]},
        {"trips": [trip_of(), trip_of(name="air-fire:air-low")]},
    ],
)
def test_each_order_changes_the_tag(site: ApiSite, client: TestClient, changed: dict[str, Any]) -> None:
    """Armed, a person's set point, a trip gone, come again or come anew: each is another tag."""
    site.hear()
    before = tag(client)
    site.hear(status_of(**changed))
    assert tag(client) != before


def test_a_request_changes_the_tag_of_its_enclosure_before_it_is_answered(site: ApiSite, client: TestClient) -> None:
    """Of two people who saw the same, the second is late even while the controller has not answered the first."""
    site.hear()
    larch, elder = tag(client), client.get("/api/enclosures/elder").headers["etag"]
    client.post(f"{LARCH}/arm", json={"why": "frost is coming"})
    assert tag(client) != larch
    assert client.get("/api/enclosures/elder").headers["etag"] == elder


def test_putting_an_alert_aside_changes_no_order(site: ApiSite, client: TestClient) -> None:
    """What is asked about alerts or the journal is no order for heat."""
    site.hear()
    before = tag(client)
    assert client.post(f"{LARCH}/acknowledge", json={"sequence": 3, "why": "card cloned"}).status_code == 202
    assert tag(client) == before


def test_silence_changes_no_order(site: ApiSite, client: TestClient) -> None:
    """Somebody who looked before the controller fell silent may still arm or disarm."""
    site.hear()
    before = tag(client)
    site.clock.sleep(60)
    assert tag(client) == before


def test_a_trip_is_named_by_its_words_not_its_code(site: ApiSite, client: TestClient) -> None:
    """Who is refused reads why heat is locked off, as the status has it."""
    site.hear(status_of(trips=[]))
    seen = {"If-Match": tag(client)}
    site.hear()
    told = client.post(f"{LARCH}/arm", json={"why": "frost is coming"}, headers=seen).json()
    assert "heat is locked off: heater-surface probe 'heater' reached 71.2 Cel" in told["detail"]
    assert told["changed"] == ["trips"]


@pytest.mark.parametrize("sent", ["*", "{tag}", '"other", {tag}', " {tag} ", None])
def test_a_tag_that_fits_or_none_lets_the_change_through(site: ApiSite, client: TestClient, sent: str | None) -> None:
    """One of several is enough (RFC 9110, 13.1.1); a star or no header asks for no comparison."""
    site.hear()
    headers = {} if sent is None else {"If-Match": sent.format(tag=tag(client))}
    assert client.post(f"{LARCH}/arm", json={"why": "frost is coming"}, headers=headers).status_code == 202


@pytest.mark.parametrize("sent", ['"x"', "W/{tag}", '"9999999999999999999999.armed.a.b"', '""', ",", '"-1...."'])
def test_a_tag_that_is_none_of_ours_is_refused(site: ApiSite, client: TestClient, sent: str) -> None:
    """Nonsense and a weak tag never match, and the answer is still a problem document."""
    site.hear()
    headers = {"If-Match": sent.format(tag=tag(client))}
    answer = client.post(f"{LARCH}/arm", json={"why": "frost is coming"}, headers=headers)
    assert answer.status_code == 412
    assert answer.headers["content-type"] == "application/problem+json"


def test_what_changed_is_said_in_words_and_in_members(site: ApiSite, client: TestClient) -> None:
    """Who asked for what since, and how each order that differs stands now."""
    site.hear()
    seen = {"If-Match": tag(client)}
    client.post(f"{LARCH}/set-point", json={"set_point_c": 19.5, "why": "slips look cold"})
    client.post("/api/enclosures/elder/arm", json={"why": "not of larch"})
    site.hear(status_of(armed=False, set_point=PERSON, trips=[]))
    told = client.post(f"{LARCH}/disarm", json={"why": "cable dug up"}, headers=seen).json()
    assert (told["changed"], told["asked_since"]) == (["armed", "set_point", "trips"], [1])
    assert "local asked for 19.5 Cel (slips look cold)" in told["detail"]
    assert "it is disarmed" in told["detail"]
    assert "a person's set point stands, 19.5 Cel until 2026-03-02T06:00:00Z" in told["detail"]
    assert "no trip is latched" in told["detail"]
    assert "not of larch" not in told["detail"]


def test_the_description_says_that_if_match_may_be_left_out(client: TestClient) -> None:
    """OpenAPI names the header on each change that heeds it, as optional, and says what happens without."""
    paths = client.get("/openapi.json").json()["paths"]
    for change in ("set-point", "arm", "disarm", "reset"):
        call = paths[f"/api/enclosures/{{enclosure}}/{change}"]["post"]
        (header,) = [each for each in call["parameters"] if each["name"] == "If-Match"]
        assert header["required"] is False
        assert "Without it the change is filed" in header["description"]
        assert "412" in call["responses"]
