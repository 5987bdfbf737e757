"""Every call of the API, drawn from its own OpenAPI document: what that allows, and what it does not."""

from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from typing import Any

import pytest
import schemathesis
from fastapi.testclient import TestClient
from hypothesis import HealthCheck, settings
from schemathesis import Case
from schemathesis.checks import content_type_conformance, response_schema_conformance, status_code_conformance
from schemathesis.schemas import BaseSchema

from controller.store.connection import open_writer
from controller.store.journal import Entry
from controller.store.keeping import add
from controller.store.migrations import READINGS
from controller.store.readings import StoredReading
from tests.api_site import NOW_MS, ApiSite

HOLDS = [status_code_conformance, content_type_conformance, response_schema_conformance]

PLANT = {"name": "larch 1", "cultivar": "brown fig", "protection": "open", "stands": "ground"}
THERE: dict[str, list[Any]] = {"enclosure": ["larch", "elder", "oak"], "number": [1, 2], "note": [1, 2]}
"""What is asked for: some that are there, and one that is not. Names drawn at random would all be unknown."""


@dataclass(frozen=True)
class Served:
    """An app that is there, and its clock."""

    client: TestClient
    site: ApiSite


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    site = ApiSite(tmp_path_factory.mktemp("site"))
    site.hear()
    site.write_journal(Entry("start", None, "soilward", "", {"epoch": 1}, NOW_MS))
    with closing(open_writer(site.folder / "readings.db", READINGS)) as connection:
        add(connection, [StoredReading("larch", "soil-10", "soil", "Cel", 15.0, NOW_MS, NOW_MS, "good")])
    with site.client() as client:
        assert client.post("/api/season/plants", json=PLANT).status_code == 201
        yield Served(client, site)


@pytest.fixture(scope="module")
def described(served: Served) -> BaseSchema:
    document: dict[str, Any] = served.client.get("/openapi.json").json()
    # It never ends; `test_api_live` has it.
    del document["paths"]["/api/live"]
    calls = (call for path in document["paths"].values() for call in path.values())
    for parameter in (each for call in calls for each in call.get("parameters", ())):
        if parameter["name"] in THERE:
            parameter["schema"] = {"enum": THERE[parameter["name"]]}
    return schemathesis.openapi.from_dict(document)


@schemathesis.pytest.from_fixture("described").parametrize()
@settings(max_examples=10, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
def test_every_answer_is_one_that_the_document_describes(case: Case[Any], served: Served) -> None:
    """No call breaks anything, and each answers with a status, a kind and a shape that are written down."""
    served.site.clock.sleep(5.0)
    asked = case.as_transport_kwargs(base_url=str(served.client.base_url))
    # Nobody is set up here, so a session says nothing.
    asked.pop("cookies", None)
    if isinstance(asked.get("data"), bytes | str):
        asked["content"] = asked.pop("data")
    answer = served.client.request(**asked)
    assert answer.status_code != 500, answer.text
    case.validate_response(answer, checks=HOLDS)
