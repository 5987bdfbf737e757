"""Forms that were refused: the reason in plain words, and nothing that was typed is lost."""

import re
from collections.abc import Iterator
from html import unescape
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from api.people import Role
from tests.api_site import PASSWORD, ApiSite
from tests.unit.pages_site import open_site

SAME_ORIGIN = {"sec-fetch-site": "same-origin"}
PLANT = {"name": "south fig", "cultivar": "brown fig", "protection": "open", "stands": "ground", "scale": "fig"}
WISH = {"set_point": "75", "why": "slips <look> cold", "hours": "24", "seen": ""}


@pytest.fixture
def site(tmp_path: Path) -> Iterator[TestClient]:
    """Give a browser of a site that speaks and has a record."""
    with open_site(tmp_path) as client:
        client.headers["accept"] = "text/html"
        yield client


def form_of(text: str, action: str) -> dict[str, str]:
    """Return every field of the form that goes to `action`, as a browser would send it."""
    found = re.search(rf'<form[^>]*action="{re.escape(action)}".*?</form>', text, re.S)
    assert found is not None, action
    fields = re.findall(r'<input[^>]*?name="([^"]*)"(?:[^>]*? value="([^"]*)")?', found[0])
    return {name: unescape(value) for name, value in fields}


def test_what_is_no_number_at_all_is_called_as_the_form_calls_it(site: TestClient) -> None:
    """It was told as "Set point c"."""
    refused = site.post("/enclosures/larch/set-point", data={**WISH, "set_point": "1e999"}, headers=SAME_ORIGIN)
    assert "Soil at the roots: is no number; write one such as 18.5." in refused.text


def test_a_refused_wish_is_put_right_without_writing_it_again(site: TestClient) -> None:
    """The page that refuses holds the whole form as it was sent; with the number put right it is taken."""
    path = "/enclosures/larch/set-point"
    refused = site.post(path, data=WISH, headers=SAME_ORIGIN)
    assert refused.status_code == 422
    assert form_of(refused.text, path) == WISH
    assert "Soil at the roots, °C" in refused.text
    assert '<p class="say">Set point 75.0' in refused.text
    assert site.post(path, data={**WISH, "set_point": "15"}, headers=SAME_ORIGIN).status_code == 303


def test_a_stale_wish_is_not_offered_again_but_its_words_are_there(site: TestClient) -> None:
    """Whoever is behind looks again first; the reason is still to be read and copied."""
    stale = site.post(
        "/enclosures/larch/set-point", data={**WISH, "set_point": "15", "seen": "old"}, headers=SAME_ORIGIN
    )
    assert stale.status_code == 412
    assert "Send it again" not in stale.text
    assert "slips &lt;look&gt; cold" in stale.text


def test_a_refused_plant_and_note_stay_written(site: TestClient) -> None:
    """The fault names the field as the form does, and the form holds what was written."""
    assert site.post("/plants", data=PLANT, headers=SAME_ORIGIN).status_code == 303
    twice = site.post("/plants", data={**PLANT, "place": "slope"}, headers=SAME_ORIGIN)
    assert twice.status_code == 422
    assert form_of(twice.text, "/plants") == {**PLANT, "place": "slope"}
    damage = {"kind": "damage", "day": "2026-02-20", "share_pct": "400", "words": "hail"}
    for sent in ({"data": damage}, {"files": {name: (None, value) for name, value in damage.items()}}):
        wrong = site.post("/plants/1/notes", headers=SAME_ORIGIN, **sent)
        assert "Share of the shoots, %: &#39;400&#39; is outside 0 to 100" in wrong.text
        assert form_of(wrong.text, "/plants/1/notes") == damage


@pytest.mark.parametrize(
    ("path", "sent", "said"),
    [
        ("/enclosures/larch/disarm", {}, "Why: nothing is written; fill it in"),
        ("/enclosures/larch/disarm", {"why": "ab"}, "Say why, in at least three letters."),
        ("/enclosures/larch/disarm", {"why": "x" * 301}, "Why: is too long; write at most 300 letters"),
        ("/enclosures/larch/set-point", {"set_point": "nan", "why": "abc"}, "is no number; write one such as 18.5"),
        ("/enclosures/larch/at-work", {"minutes": "999"}, "Minutes: is too much; write at most 60"),
        ("/enclosures/larch/at-work", {"minutes": "soon"}, "Minutes: is no number"),
        ("/tonight/forecast", {"lowest": ""}, "Lowest expected tonight: nothing is written"),
        ("/tonight/forecast", {"lowest": "-200"}, "-200\N{NO-BREAK SPACE}°C is outside -90 to 60\N{NO-BREAK SPACE}°C"),
    ],
)
def test_a_refusal_speaks_as_people_do(site: TestClient, path: str, sent: dict[str, str], said: str) -> None:
    """It names the field as the page does, the bound and the remedy, in no library's words."""
    reply = site.post(path, data=sent, headers=SAME_ORIGIN)
    assert reply.status_code == 422
    text = unescape(re.sub(r"<[^>]*>", "", reply.text))
    assert said in text
    assert not re.search(r"[Ii]nput should|[Ss]tring should|required|Cel\b", text)


@pytest.mark.parametrize(("method", "path"), [("GET", "/heat"), ("GET", "/enclosures/larch/arm")])
def test_an_address_that_is_no_page_says_so(site: TestClient, method: str, path: str) -> None:
    """In words, not in those of HTTP; a program still gets HTTP's."""
    text = site.request(method, path).text
    assert "there is no" in text.lower() or "there is nothing" in text.lower()
    assert "Method Not Allowed" not in text
    assert site.get("/heat", headers={"accept": "application/json"}).json()["detail"] == "Not Found"


@pytest.fixture
def door(tmp_path: Path) -> Iterator[TestClient]:
    """Give a browser on another machine, signed out, of a site with a keeper."""
    site = ApiSite(tmp_path)
    site.add_person("keeper", Role.OPERATE)
    with site.client("192.168.1.9", accept="text/html") as client:
        site.hear()
        yield client


def test_what_was_written_outlives_the_session(door: TestClient) -> None:
    """Signed out meanwhile: sign in on the page that says so, look at the form again, send it."""
    path, wish = "/enclosures/larch/set-point", {**WISH, "set_point": "15"}
    out = door.post(path, data=wish, headers=SAME_ORIGIN)
    assert out.status_code == 401
    assert "what you wrote is kept" in out.text
    wrong = door.post(
        "/sign-in", data={**form_of(out.text, "/sign-in"), "name": "keeper", "password": "another"}, headers=SAME_ORIGIN
    )
    assert wrong.status_code == 401
    right = {**form_of(wrong.text, "/sign-in"), "name": "keeper", "password": PASSWORD}
    back = door.post("/sign-in", data=right, headers=SAME_ORIGIN)
    assert PASSWORD not in back.text
    assert form_of(back.text, path) == wish
    assert door.post(path, data=form_of(back.text, path), headers=SAME_ORIGIN).status_code == 303


def test_a_note_outlives_the_session_as_well(door: TestClient) -> None:
    """A plant's forms are of several parts, for a photograph may be with them; without one they are as small as any."""
    damage = {"kind": "damage", "day": "2026-02-20", "share_pct": "12", "words": "hail"}
    parts = {name: (None, value) for name, value in damage.items()}
    out = door.post("/plants/1/notes", files=parts, headers=SAME_ORIGIN)
    assert (out.status_code, "what you wrote is kept" in out.text) == (401, True)
    right = {**form_of(out.text, "/sign-in"), "name": "keeper", "password": PASSWORD}
    assert form_of(door.post("/sign-in", data=right, headers=SAME_ORIGIN).text, "/plants/1/notes") == damage


def test_a_small_photograph_sent_signed_out_is_asked_for_again(door: TestClient) -> None:
    """The words of its note were kept, and it was dropped without a word."""
    remark = {"kind": "remark", "day": "2026-02-20", "words": "hail"}
    picture = {"photograph": ("fig.png", b"x" * 9000, "image/png")}
    out = door.post("/plants/1/notes", data=remark, files=picture, headers=SAME_ORIGIN)
    right = {**form_of(out.text, "/sign-in"), "name": "keeper", "password": PASSWORD}
    back = door.post("/sign-in", data=right, headers=SAME_ORIGIN).text
    assert form_of(back, "/plants/1/notes") == {**remark, "photograph": ""}
    assert "The photograph, to be chosen again" in back


@pytest.mark.parametrize("came_from", ["", "http://h:1/enclosures/larch?asked=3", "http://[", "http://h//elsewhere/"])
def test_a_stop_sent_signed_out_says_where_the_heat_is_ended(door: TestClient, came_from: str) -> None:
    """Nothing was typed that could be kept; the way leads back to the page that it was pressed on."""
    out = door.post("/enclosures/larch/stop", headers={**SAME_ORIGIN, "referer": came_from})
    assert out.status_code == 401
    assert "Nothing was asked or kept: sign in and ask again. To end heat now, switch the heater off at its" in out.text
    then = "/enclosures/larch" if "larch" in came_from else "/"
    assert form_of(out.text, "/sign-in")["then"] == then


def test_a_photograph_that_is_too_large_is_told_in_words(site: TestClient) -> None:
    """A browser was shown the document that programs read."""
    sent = site.post("/plants/1/notes", files={"photograph": ("fig.jpg", b"x" * 13_000_000)}, headers=SAME_ORIGIN)
    assert sent.status_code == 413
    assert '<p class="say">The body is larger than 12648448 bytes; send at most 12' in sent.text


@pytest.mark.parametrize(
    "shown", [{"sec-fetch-site": "cross-site"}, {"origin": "http://elsewhere.example"}, {"origin": "http://["}, {}]
)
def test_what_a_foreign_page_sent_is_never_offered(door: TestClient, shown: dict[str, str]) -> None:
    """Else one tap on our own page would send a stranger's wish in the reader's name."""
    reply = door.post("/enclosures/larch/set-point", data=WISH, headers=shown)
    assert reply.status_code == 401
    assert "slips" not in reply.text


def test_a_form_is_never_led_out_of_the_site(door: TestClient) -> None:
    """What the sign-in page carries says where the form goes; only a path of our own is taken."""
    sent = {"name": "keeper", "password": PASSWORD, "kept-/": "//elsewhere.example/", "kept-why": "abc"}
    assert "elsewhere" not in door.post("/sign-in", data=sent, headers=SAME_ORIGIN).text
