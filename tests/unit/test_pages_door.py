"""The door: whoever is sent to sign in comes back to the page that they wanted."""

import re
from html import unescape
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from api.people import Role
from tests.api_site import PASSWORD, ApiSite

SAME_ORIGIN = {"sec-fetch-site": "same-origin"}
SIZING = "/sizing?" + "&".join(f"field{number}=0.175" for number in range(24))


@pytest.fixture
def door(tmp_path: Path) -> TestClient:
    """Give a browser on another machine, not signed in, of a site with a keeper."""
    site = ApiSite(tmp_path)
    site.add_person("keeper", Role.OPERATE)
    return site.client("192.168.1.9", accept="text/html")


def hidden(text: str) -> dict[str, str]:
    """Return the hidden fields of the form to sign in with."""
    form = re.search(r'<form method="post" action="/sign-in">.*?</form>', text, re.S)
    assert form is not None
    return {name: unescape(value) for name, value in re.findall(r'type="hidden" name="(\S+)" value="([^"]*)"', form[0])}


@pytest.mark.parametrize("wanted", ["/enclosures/larch", "/enclosures/larch?range=3w&asked=1", SIZING])
def test_signing_in_leads_on_to_the_page_that_was_asked_for(door: TestClient, wanted: str) -> None:
    """Page and question are kept through the sign-in, and through a wrong password before it."""
    with door as client:
        sent = client.get(wanted)
        assert sent.status_code == 303
        form = hidden(client.get(sent.headers["location"]).text)
        wrong = client.post("/sign-in", data={**form, "name": "keeper", "password": "a wrong one"}, headers=SAME_ORIGIN)
        assert wrong.status_code == 401
        assert 'value="keeper"' in wrong.text
        right = {**hidden(wrong.text), "name": "keeper", "password": PASSWORD}
        assert client.post("/sign-in", data=right, headers=SAME_ORIGIN).headers["location"] == wanted


def test_the_other_unit_keeps_a_long_question(door: TestClient) -> None:
    """Choosing Fahrenheit on a page whose address holds a whole form leads back to it."""
    with door as client:
        assert client.post("/unit?to=F", data={"back": SIZING}, headers=SAME_ORIGIN).headers["location"] == SIZING
