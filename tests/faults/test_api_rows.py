"""Hazard rows A01-A08, O01, O03 and O06, as far as the API stands in the way."""

import json
import subprocess
import sys
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from http.client import HTTPConnection
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient

from api.people import Role
from controller.figures import Figures
from controller.store import requests
from controller.store.connection import open_reader
from tests.api_flood import flood
from tests.api_site import HOME, PASSWORD, ApiSite, alert_of, status_of, trip_of
from tests.faults.cases import LOOK_S, seen
from tests.wire.kit import ROOT, STARTS_S, Bench, a_free_port, until

SET_POINT = "/api/enclosures/larch/set-point"
JSON = {"Content-Type": "application/json"}
TRIP = "heater-surface-over:heater"


@pytest.fixture
def site(tmp_path: Path) -> ApiSite:
    return ApiSite(tmp_path)


@pytest.fixture
def client(site: ApiSite) -> Iterator[TestClient]:
    with site.client() as client:
        yield client


def filed(site: ApiSite) -> int:
    """Return how many requests the controller could read."""
    connection = open_reader(site.folder / "requests.db")
    try:
        return len(requests.after(connection, 0))
    finally:
        connection.close()


@pytest.mark.parametrize("value", ["80", "-300", "1e309", "-1e309", "NaN", "Infinity", '"80"', "true", "[18]"])
def test_a01_an_impossible_set_point_is_422_and_changes_nothing(site: ApiSite, client: TestClient, value: str) -> None:
    """A01: whatever JSON can be made to say, it is answered with a problem document and nothing is filed."""
    body = f'{{"set_point_c": {value}, "why": "fault test"}}'
    answer = client.post(SET_POINT, content=body, headers=JSON)
    assert answer.status_code == 422
    assert answer.headers["content-type"] == "application/problem+json"
    assert filed(site) == 0


def test_a06_there_is_no_way_to_force_heat_on(site: ApiSite, client: TestClient) -> None:
    """A06: no call says "on", no unknown kind is filed, and a person's set point stays within the limits."""
    changes = {path for path, calls in client.get("/openapi.json").json()["paths"].items() if "post" in calls}
    assert not [path for path in changes if path.rstrip("/").split("/")[-1] in ("on", "heat", "force", "duty", "relay")]
    for kind in ("on", "heat", "force-on", "duty"):
        assert client.post(f"/api/enclosures/larch/{kind}", json={"why": "fault test"}).status_code in (404, 405)
    assert filed(site) == 0


def test_a02_a_trip_whose_cause_is_present_is_not_reset(site: ApiSite, client: TestClient) -> None:
    """A02: 409, with the cause in words, and nothing is filed."""
    site.hear(status_of(trips=[trip_of(cause_gone=False)]))
    answer = client.post("/api/enclosures/larch/reset", json={"trip": TRIP, "why": "want heat"})
    assert answer.status_code == 409
    assert "still present" in answer.json()["detail"]
    assert filed(site) == 0


@pytest.mark.parametrize(("resets", "status"), [(2, 202), (3, 429), (10, 429)])
def test_a03_a_fourth_reset_within_24_h_is_refused(site: ApiSite, client: TestClient, resets: int, status: int) -> None:
    """A03: three resets of one trip in 24 h are the most."""
    site.hear(status_of(trips=[trip_of(resets_24h=resets)]))
    answer = client.post("/api/enclosures/larch/reset", json={"trip": TRIP, "why": "once more"})
    assert answer.status_code == status
    assert filed(site) == (1 if status == 202 else 0)


CHANGES = [
    ("set-point", {"set_point_c": 18.0, "why": "fault test"}),
    ("arm", {"why": "fault test"}),
    ("disarm", {"why": "fault test"}),
    ("reset", {"trip": TRIP, "why": "fault test"}),
    ("stop", {"why": "fault test"}),
    ("at-work", {"minutes": 15, "why": "fault test"}),
    ("shelve", {"alert": "probe:air-low", "hours": 1, "why": "fault test"}),
    ("acknowledge", {"sequence": 3, "why": "fault test"}),
]


@pytest.mark.parametrize(("change", "body"), CHANGES)
def test_a04_nobody_and_the_wrong_role_change_nothing_and_are_on_record(
    site: ApiSite, change: str, body: dict[str, object]
) -> None:
    """A04: 401 without sign-in or with a made-up token, 403 with the role view; each refusal is kept."""
    viewing, operating = site.add_person("neighbour", Role.VIEW), site.add_person("keeper", Role.OPERATE)
    path = f"/api/enclosures/larch/{change}"
    with site.client() as client:
        site.hear(status_of(alerts=[alert_of()]))
        assert client.post(path, json=body).status_code == 401
        assert client.post(path, json=body, headers={"Authorization": "Bearer made-up"}).status_code == 401
        assert client.post(path, json=body, headers={"Authorization": f"Bearer {viewing}"}).status_code == 403
        assert client.get("/api/enclosures", headers={"Authorization": f"Bearer {viewing}"}).status_code == 200
        assert filed(site) == 0
        assert client.post(path, json=body, headers={"Authorization": f"Bearer {operating}"}).status_code == 202
        assert filed(site) == 1
    assert [(each.who, each.path) for each in site.refusals()] == [
        ("neighbour", path),
        ("nobody", path),
        ("nobody", path),
    ]


def test_a04_who_may_operate_can_read_what_was_refused(site: ApiSite) -> None:
    """A04: the record of refusals is kept to be read, by call and on the journal page, and not by who may only look."""
    viewing, operating = site.add_person("neighbour", Role.VIEW), site.add_person("keeper", Role.OPERATE)
    with site.client() as client:
        looks, operates = {"Authorization": f"Bearer {viewing}"}, {"Authorization": f"Bearer {operating}"}
        assert client.post("/api/enclosures/larch/arm", json={"why": "fault test"}, headers=looks).status_code == 403
        (kept,) = client.get("/api/journal/refusals", headers=operates).json()
        assert (kept["who"], kept["path"], kept["at"]) == (
            "neighbour",
            "/api/enclosures/larch/arm",
            "2026-03-01T04:12:02.000Z",
        )
        assert client.get("/api/journal/refusals", headers=looks).status_code == 403
        page = {"Accept": "text/html"}
        assert "Refused attempts" in client.get("/journal", headers={**operates, **page}).text
        assert "Refused attempts" not in client.get("/journal", headers={**looks, **page}).text


def test_a04_a_foreign_page_and_a_wrong_password_are_on_record(site: ApiSite) -> None:
    """A04: a change from elsewhere with somebody's cookie, and a failed sign-in, are kept with the name they claim."""
    site.add_person("keeper", Role.OPERATE)
    with site.client() as client:
        assert client.post("/api/session", json={"name": "keeper", "password": "wrong password"}).status_code == 401
        assert client.post("/api/session", json={"name": "keeper", "password": PASSWORD}).status_code == 204
        foreign = {"Origin": "http://elsewhere.example"}
        assert client.post(SET_POINT, json={"set_point_c": 30, "why": "mischief"}, headers=foreign).status_code == 403
        ours = {"Origin": HOME}
        assert client.post(SET_POINT, json={"set_point_c": 18, "why": "as it was"}, headers=ours).status_code == 202
    assert [(each.who, each.path) for each in site.refusals()] == [("keeper", SET_POINT), ("keeper", "/api/session")]


def test_o01_75_fahrenheit_as_a_set_point_is_refused_with_a_hint(site: ApiSite, client: TestClient) -> None:
    """O01: 75 is above 32, and what was meant is said in Cel."""
    answer = client.post(SET_POINT, json={"set_point_c": 75, "why": "slips look cold"})
    assert answer.status_code == 422
    assert answer.json()["detail"] == "set point 75.0 Cel is above the hard limit 32.0; did you mean 75 F? send 23.9"
    assert filed(site) == 0


def test_a05_a_change_by_somebody_who_looked_before_another_is_refused(site: ApiSite, client: TestClient) -> None:
    """A05: two people saw the same; the first change is filed, the second is 412 with who asked for what, unfiled."""
    site.hear()
    seen = {"If-Match": client.get("/api/enclosures/larch").headers["etag"]}
    first = {"set_point_c": 16, "why": "a mild night"}
    assert client.post(SET_POINT, json=first, headers=seen).status_code == 202
    late = client.post(SET_POINT, json={"set_point_c": 20, "why": "slips look cold"}, headers=seen)
    assert late.status_code == 412
    assert late.headers["content-type"] == "application/problem+json"
    assert "local asked for 16.0 Cel (a mild night)" in late.json()["detail"]
    assert filed(site) == 1


@pytest.mark.parametrize(
    ("body", "status"),
    [
        ({"alert": "probe:air-low", "hours": 8.0}, 202),
        ({"alert": "probe:air-low", "hours": 8.1}, 422),
        ({"alert": TRIP, "hours": 1.0}, 409),
    ],
)
def test_o03_an_alert_is_put_aside_for_8_h_at_most_and_a_trip_never(
    site: ApiSite, client: TestClient, body: dict[str, object], status: int
) -> None:
    """O03: nothing is quiet for longer than a shift, and what is locked off stays in sight."""
    site.hear(status_of(alerts=[alert_of()]))
    answer = client.post("/api/enclosures/larch/shelve", json={**body, "why": "new one ordered"})
    assert answer.status_code == status
    assert filed(site) == (status == 202)


@pytest.mark.parametrize(("minutes", "status"), [(60, 202), (61, 422), (100_000, 422)])
def test_o06_working_there_lasts_an_hour_at_most(site: ApiSite, client: TestClient, minutes: int, status: int) -> None:
    """O06: a longer time is refused, so nobody's forgetting keeps an enclosure out of service unseen."""
    body = {"minutes": minutes, "why": "tying in the figs"}
    assert client.post("/api/enclosures/larch/at-work", json=body).status_code == status
    assert filed(site) == (status == 202)


@contextmanager
def pages_of(bench: Bench) -> Iterator[int]:
    """Serve the bench's pages from a process of their own, as users do, and give their port."""
    port = a_free_port()
    file = bench.folder / "soilward.toml"
    file.write_text(f"{file.read_text()}\n[web]\nport = {port}\n")
    with (bench.folder / "api.log").open("wb") as log:
        command = [sys.executable, "-m", "api", "serve", "--settings", str(file)]
        served = subprocess.Popen(command, cwd=ROOT, stdout=log, stderr=log)
    try:
        until("the api listens", lambda: "Open http" in (bench.folder / "api.log").read_text(), 60.0)
        yield port
    finally:
        served.terminate()
        served.wait(60.0)


def answered(port: int, method: str, path: str, address: str = "127.0.0.1") -> int:
    """Return the status that somebody at `address` gets."""
    line = HTTPConnection("127.0.0.1", port, timeout=30, source_address=(address, 0))
    try:
        line.request(method, path)
        return line.getresponse().status
    finally:
        line.close()


def _ticks(bench: Bench) -> tuple[int, int]:
    """Return how many ticks began within 0.5 s of when they were due, and how many did not, by the controller."""
    asked_ms, file = time.time_ns() // 1_000_000, bench.data / Figures.FILE

    def told() -> dict[str, Any]:
        return json.loads(file.read_text()) if file.exists() else {"at_ms": 0}

    until("it has counted again", lambda: told()["at_ms"] > asked_ms, 30.0)
    late = told()["late"]
    within = late["bounds_s"].index(0.5) + 1
    return sum(late["counts"][:within]), sum(late["counts"][within:])


def test_a07_a_flood_of_calls_leaves_the_tick_on_time(tmp_path: Path) -> None:
    """A07: 1000 calls a second for 8 s from one address: no tick is late by 0.5 s, and others are answered."""
    with Bench(tmp_path) as bench, pages_of(bench) as port:
        until("the node is heard", lambda: bench.spy.holds("node heard"), STARTS_S)
        on_time, late = _ticks(bench)
        began_s = time.monotonic()
        with ThreadPoolExecutor(1) as aside:
            flooding = aside.submit(flood, port, 8.0, 1000.0)
            until("the flood has come", lambda: time.monotonic() - began_s > 3.0, 5.0)
            others = [answered(port, "GET", "/api/enclosures/larch", "127.0.0.2") for _ in range(5)]
            sent, answers = flooding.result()
        after = _ticks(bench)
    assert after[1] == late
    assert after[0] - on_time >= 8
    assert sent == 8000
    assert others == [200] * 5
    assert set(answers) == {200, 429}
    assert answers[429] > answers[200], answers


def test_a08_a_stop_opens_both_contacts_within_3_s_and_latches(tmp_path: Path) -> None:
    """A08: pressed on the page while the heater runs, both contacts are open within 3 s and a trip stands."""
    with Bench(tmp_path) as bench:
        bench.heat()
        with pages_of(bench) as port:
            # Where the pages take long to come up, the first cycle is over: the next one heats.
            until("it heats", lambda: bench.node.core.on and bench.spy.status()["heat"]["contact"], 130.0)
            assert answered(port, "POST", "/enclosures/larch/stop") == 303
            seen("A08", bench.open_within(3.0 + LOOK_S))
            until("the second contact is open", lambda: not bench.node.core.armed, 3.0)
            until("the trip is told", lambda: bench.spy.status()["trips"], 3.0)
            assert bench.spy.status()["trips"][0]["detail"] == "stopped by local"
