"""Asking for a trial and adopting a model over HTTP: within bounds, in somebody's name, never more than filed."""

from typing import Any

import pytest
from fastapi.testclient import TestClient

from api.examples import ADOPTED
from controller.control.thermal import LEARNT
from tests.unit.test_api_safety_calls import LARCH, filed


@pytest.mark.parametrize(
    ("pulses", "status"),
    [(-1, 422), (0, 202), (6, 202), (8, 202), (9, 422), (3.5, 422), ("6", 422), (True, 422), (None, 422)],
)
def test_a_trial_is_asked_for_by_a_whole_number_of_pulses(client: TestClient, pulses: object, status: int) -> None:
    """0 ends one; the controller says no to one and two, with the words."""
    assert client.post(f"{LARCH}/trial", json={"pulses": pulses, "why": "new cable"}).status_code == status
    assert filed(client) == ([("trial", {"pulses": pulses}, "new cable")] if status == 202 else [])


def test_the_example_of_an_adoption_has_every_figure_and_is_filed_as_it_is(client: TestClient) -> None:
    """What the documents show works."""
    assert set(ADOPTED["figures"]) == {*LEARNT, "deep_c"}
    assert client.post(f"{LARCH}/adopt", json=ADOPTED).status_code == 202
    ((kind, arguments, why),) = filed(client)
    assert (kind, why) == ("adopt", ADOPTED["why"])
    assert arguments == {"figures": ADOPTED["figures"], "likely": ADOPTED["likely"]}


@pytest.mark.parametrize(
    "changed",
    [{"figures": None}, {"figures": {"lag_s": "9"}}, {"likely": {"a": [1.0, 2.0]}}, {"likely": None}, {"why": ""}],
)
def test_an_adoption_that_is_malformed_is_refused(client: TestClient, changed: dict[str, Any]) -> None:
    """422, and nothing is filed."""
    assert client.post(f"{LARCH}/adopt", json={**ADOPTED, **changed}).status_code == 422
    assert filed(client) == []


def test_nobody_files_for_somebody_without_the_key_of_this_machine(client: TestClient) -> None:
    """401; with the key, a trial is filed in that name."""
    body = {"enclosure": "larch", "kind": "trial", "arguments": {"pulses": 6}, "why": "new cable"}
    assert client.post("/api/people/keeper/requests", json=body).status_code == 401
    assert filed(client) == []
    key = client.app.state.soilward.key  # type: ignore[attr-defined]
    shown = {"Authorization": f"Bearer {key}"}
    assert client.post("/api/people/keeper/requests", json=body, headers=shown).status_code == 202
    stop = {**body, "kind": "reset"}
    assert client.post("/api/people/keeper/requests", json=stop, headers=shown).status_code == 422
    assert filed(client) == [("trial", {"pulses": 6}, "new cable")]
