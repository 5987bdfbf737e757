"""Hazard rows A01-A04 and O01, as far as the API stands in the way."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from api.people import Role
from controller.store import requests
from controller.store.connection import open_reader
from tests.api_site import HOME, PASSWORD, ApiSite, status_of, trip_of

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
]


@pytest.mark.parametrize(("change", "body"), CHANGES)
def test_a04_nobody_and_the_wrong_role_change_nothing_and_are_on_record(
    site: ApiSite, change: str, body: dict[str, object]
) -> None:
    """A04: 401 without sign-in or with a made-up token, 403 with the role view; each refusal is kept."""
    viewing, operating = site.add_person("neighbour", Role.VIEW), site.add_person("keeper", Role.OPERATE)
    path = f"/api/enclosures/larch/{change}"
    with site.client() as client:
        site.hear()
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
