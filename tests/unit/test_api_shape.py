"""The shape of answers: one kind of error, safe headers, a description that shows examples."""

from collections.abc import Iterator
from pathlib import Path
from typing import cast

import pytest
from fastapi import FastAPI
from fastapi.testclient import TestClient

from api.app import ROUTED
from api.schemas import set_point_fault
from api.state import State
from tests.api_site import ApiSite


@pytest.fixture
def client(tmp_path: Path) -> Iterator[TestClient]:
    with ApiSite(tmp_path).client() as client:
        yield client


@pytest.mark.parametrize(
    ("method", "path", "status"),
    [
        ("GET", "/api/nothing", 404),
        ("PUT", "/api/enclosures", 405),
        ("GET", "/api/enclosures/oak", 404),
        ("POST", "/api/enclosures/larch/arm", 422),
        ("GET", "/api/requests/0", 422),
    ],
)
def test_every_error_is_a_problem_document(client: TestClient, method: str, path: str, status: int) -> None:
    """RFC 9457: media type, and a status member that repeats the status."""
    answer = client.request(method, path)
    assert answer.status_code == status
    assert answer.headers["content-type"] == "application/problem+json"
    assert answer.json()["status"] == status
    assert {"type", "title", "detail"} <= set(answer.json())


def test_something_unexpected_is_500_without_internals(client: TestClient, monkeypatch: pytest.MonkeyPatch) -> None:
    """Neither the exception's name nor its text leaves the machine."""

    def broken(*_: object) -> None:
        raise RuntimeError("secret inside")

    monkeypatch.setattr(State, "enclosure", broken)
    answer = client.get("/api/enclosures/larch")
    assert answer.status_code == 500
    assert answer.headers["content-type"] == "application/problem+json"
    assert "secret" not in answer.text
    assert "RuntimeError" not in answer.text


@pytest.mark.parametrize("path", ["/api/enclosures", "/api/nothing", "/health", "/openapi.json"])
def test_every_answer_carries_the_safe_headers(client: TestClient, path: str) -> None:
    """Only our own files, no framing, no sniffing, nothing kept by caches."""
    headers = client.get(path).headers
    policy = headers["content-security-policy"]
    assert policy.startswith("default-src 'self'")
    assert "unsafe" not in policy
    assert "frame-ancestors 'none'" in policy
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["referrer-policy"] == "same-origin"
    assert headers["cache-control"] == "no-store"


def test_a_body_that_is_too_large_is_not_read(client: TestClient) -> None:
    """65 536 bytes are the most; a body that does not say its length is refused too."""
    assert client.post("/api/enclosures/larch/arm", content=b" " * 65_537).status_code == 413
    assert client.post("/api/enclosures/larch/arm", content=b" " * 65_536).status_code == 422
    assert client.post("/api/enclosures/larch/arm", content=iter([b"{}"])).status_code == 411


@pytest.mark.parametrize("path", ["/docs", "/redoc"])
def test_the_only_description_is_openapi_json(client: TestClient, path: str) -> None:
    """Pages that load script from elsewhere are off."""
    assert client.get(path).status_code == 404


def test_the_application_has_the_routers_own_routes_and_each_call_tells_of_any_other_error(client: TestClient) -> None:
    """Included, they are made anew: the first reader of each start waited for all of them."""
    own = [route for each in ROUTED for route in each.router.routes]
    there = [id(route) for route in cast(FastAPI, client.app).router.routes]
    assert [id(route) for route in own if id(route) not in there] == []
    paths = client.get("/openapi.json").json()["paths"]
    silent = [call for path in paths.values() for call in path.values() if "default" not in call["responses"]]
    assert (len(own) > 80, silent) == (True, [])


def test_every_call_is_described_with_an_example(client: TestClient) -> None:
    """OpenAPI 3.1; each answer with a body shows one, and each request body too."""
    described = client.get("/openapi.json").json()
    assert described["openapi"].startswith("3.1")
    for path, calls in described["paths"].items():
        for method, call in calls.items():
            good = next(each for status, each in call["responses"].items() if status.startswith("2"))
            shown = good.get("content", {})
            assert all("example" in each for each in shown.values()), (method, path)
            if "requestBody" in call:
                asked = call["requestBody"]["content"].values()
                assert all(each.get("examples") or each["example"] for each in asked), (method, path)


def test_the_calls_of_the_contract_are_there(client: TestClient) -> None:
    """The names other tools call do not drift."""
    paths = client.get("/openapi.json").json()["paths"]
    enclosure = "/api/enclosures/{enclosure}"
    reads = {"/api/enclosures", enclosure, f"{enclosure}/readings", f"{enclosure}/heater-runs", "/api/journal"}
    reads |= {"/api/journal/proof", "/api/requests/{request}", "/api/live", "/health", "/metrics"}
    reads |= {f"{enclosure}/control", "/api/export", "/api/season/forecast"}
    assert all("get" in paths[path] for path in reads)
    changes = ("set-point", "arm", "disarm", "reset", "stop", "at-work", "shelve", "acknowledge", "trial", "adopt")
    assert all("post" in paths[f"{enclosure}/{change}"] for change in changes)


@pytest.mark.parametrize(
    ("value_c", "highest_c", "said"),
    [
        (32.0, 32.0, None),
        (-5.0, 32.0, None),
        (32.1, 32.0, "set point 32.1 Cel is above the hard limit 32.0; did you mean 32.1 F? send 0.1"),
        (75.0, 32.0, "set point 75.0 Cel is above the hard limit 32.0; did you mean 75 F? send 23.9"),
        (89.6, 32.0, "set point 89.6 Cel is above the hard limit 32.0; did you mean 89.6 F? send 32.0"),
        (90.0, 32.0, "set point 90.0 Cel is above the hard limit 32.0"),
        (-5.1, 32.0, "set point -5.1 Cel is below the lowest allowed -5.0"),
        (80.0, 25.0, "set point 80.0 Cel is above the hard limit 25.0"),
    ],
)
def test_a_set_point_fault_names_value_bound_and_remedy(value_c: float, highest_c: float, said: str | None) -> None:
    """The hint is given only if the value, read as Fahrenheit, would be allowed."""
    assert set_point_fault(value_c, highest_c, "hard limit") == said


def test_a_page_asked_for_without_sign_in_leads_to_the_sign_in_page(tmp_path: Path) -> None:
    """A browser is led to sign in and back; a program asking the same gets the problem document."""
    with ApiSite(tmp_path).client("192.168.1.9") as client:
        answer = client.get("/enclosures/larch", headers={"Accept": "text/html"})
        assert answer.status_code == 303
        assert answer.headers["location"] == "/sign-in?next=/enclosures/larch"
        assert client.get("/api/enclosures", headers={"Accept": "text/html"}).status_code == 401
        assert client.get("/enclosures/larch").status_code == 401
