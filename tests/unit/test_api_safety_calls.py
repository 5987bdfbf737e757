"""The calls that take heat away or answer an alert."""

import sqlite3
from concurrent.futures import ThreadPoolExecutor
from threading import Event
from typing import Any

import pytest
from fastapi.testclient import TestClient

from controller.store import requests
from tests.api_site import HOME, ApiSite, alert_of, status_of

LARCH = "/api/enclosures/larch"


def filed(client: TestClient) -> list[tuple[str, dict[str, Any], str]]:
    """Return kind, arguments and reason of every request."""
    found = client.app.state.soilward.requests.do(requests.after, 0)  # type: ignore[attr-defined]
    return [(each.kind, each.arguments, each.why) for each in found]


@pytest.mark.parametrize(
    ("body", "why"), [(None, "stop pressed"), ({}, "stop pressed"), ({"why": "smell of burning"}, "smell of burning")]
)
def test_a_stop_needs_nothing_and_is_filed_even_in_silence(
    client: TestClient, body: dict[str, str] | None, why: str
) -> None:
    """With no body, an empty one or a reason, and with a controller that is not heard."""
    assert client.post(f"{LARCH}/stop", json=body).status_code == 202
    assert filed(client) == [("stop", {}, why)]


def test_a_stop_of_an_enclosure_that_is_not_there_is_404(client: TestClient) -> None:
    """Nobody may believe that something was stopped."""
    assert client.post("/api/enclosures/oak/stop").status_code == 404
    assert filed(client) == []


def test_a_stop_that_cannot_be_written_down_says_what_to_do_instead(client: TestClient) -> None:
    """With the file unwritable the answer is 503 and sends the person to the socket or the breaker."""
    client.app.state.soilward.requests.do(lambda c: c.execute("PRAGMA query_only = ON"))  # type: ignore[attr-defined]
    answer = client.post(f"{LARCH}/stop")
    assert answer.status_code == 503
    assert "switch the heater off at its socket or breaker" in answer.json()["detail"]


@pytest.mark.parametrize(
    ("minutes", "status"),
    [(0, 422), (-1, 422), (0.5, 202), (60, 202), (60.1, 422), ("30", 422), (True, 422), (None, 422)],
)
def test_at_work_is_more_than_0_and_at_most_60_minutes(client: TestClient, minutes: object, status: int) -> None:
    """The bounds restated; text and true are no numbers."""
    assert client.post(f"{LARCH}/at-work", json={"minutes": minutes, "why": "tying in"}).status_code == status
    assert len(filed(client)) == (status == 202)


@pytest.mark.parametrize(("hours", "status"), [(0, 422), (0.25, 202), (8, 202), (8.01, 422), ("4", 422)])
def test_an_alert_is_put_aside_for_more_than_0_and_at_most_8_hours(
    site: ApiSite, client: TestClient, hours: object, status: int
) -> None:
    """The bounds restated."""
    site.hear(status_of(alerts=[alert_of()]))
    body = {"alert": "probe:air-low", "hours": hours, "why": "new one ordered"}
    assert client.post(f"{LARCH}/shelve", json=body).status_code == status
    assert len(filed(client)) == (status == 202)


def test_an_urgent_alert_cannot_be_put_aside(site: ApiSite, client: TestClient) -> None:
    """409, and nothing is filed: somebody must go and look."""
    site.hear(status_of(alerts=[alert_of(urgent=True)]))
    answer = client.post(f"{LARCH}/shelve", json={"alert": "probe:air-low", "hours": 1, "why": "new one ordered"})
    assert answer.status_code == 409
    assert "urgent" in answer.json()["detail"]
    assert filed(client) == []


def test_only_an_alert_that_is_there_can_be_put_aside(site: ApiSite, client: TestClient) -> None:
    """404 with those that are there; while the controller is silent nobody knows which are."""
    body = {"alert": "dusty", "hours": 1, "why": "new one ordered"}
    assert client.post(f"{LARCH}/shelve", json=body).status_code == 503
    site.hear(status_of(alerts=[alert_of()]))
    answer = client.post(f"{LARCH}/shelve", json=body)
    assert answer.status_code == 404
    assert "there now: probe:air-low" in answer.json()["detail"]
    assert filed(client) == []


@pytest.mark.parametrize(("sequence", "status"), [(0, 422), (1, 202), (118, 202), ("1", 422), (1.5, 422)])
def test_a_break_of_the_chain_is_noted_by_its_entry(client: TestClient, sequence: object, status: int) -> None:
    """Entries count from 1."""
    body = {"sequence": sequence, "why": "card was cloned by me"}
    assert client.post(f"{LARCH}/acknowledge", json=body).status_code == status
    assert len(filed(client)) == (status == 202)


def test_a_stop_waits_for_nobody_who_writes_about_plants(site: ApiSite, client: TestClient) -> None:
    """A08: while a long file of plants is being kept, who is asking is still known, and the stop is filed."""
    season, begun, done = client.app.state.soilward.season, Event(), Event()  # type: ignore[attr-defined]

    def keep(_: sqlite3.Connection) -> bool:
        begun.set()
        return done.wait(5.0)

    with ThreadPoolExecutor(1) as somebody:
        kept = somebody.submit(season.do, keep)
        assert begun.wait(5.0)
        assert client.post("/api/enclosures/larch/stop").status_code == 202
        assert not kept.done()
        done.set()
        assert kept.result()


def test_a_full_disk_is_called_one(site: ApiSite, client: TestClient) -> None:
    """What could not be filed is said to be not, with the remedy; a stop says what to do instead."""

    def fill(connection: sqlite3.Connection) -> None:
        pages = connection.execute("PRAGMA page_count").fetchone()[0]
        connection.execute(f"PRAGMA max_page_count = {pages}")

    client.app.state.soilward.requests.do(fill)  # type: ignore[attr-defined]
    wish = {"why": "cable dug up " * 20}
    for _ in range(100):
        answer = client.post("/api/enclosures/larch/disarm", json=wish)
        if answer.status_code != 202:
            break
    assert (answer.status_code, "the disk is full, so nothing was asked" in answer.text) == (507, True)
    shown = client.post("/enclosures/larch/disarm", data=wish, headers={"accept": "text/html", "origin": HOME})
    assert "switch the heater off at its socket" in shown.text
    assert "has the controller run here yet" not in shown.text
