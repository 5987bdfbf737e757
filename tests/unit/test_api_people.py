"""People, passwords, sessions and the door."""

import sqlite3
from collections.abc import Iterator
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from api import people
from api.auth import COOKIE, refuse_unsafe_listen
from api.people import PeopleError, Person, Refusal, Role
from api.tries import Tries
from controller.errors import SettingsError
from controller.store.connection import open_writer
from tests.api_site import HOME, NOW_MS, PASSWORD, ApiSite, settings_of

DAY_MS = 86_400_000


@pytest.fixture
def season(tmp_path: Path) -> Iterator[sqlite3.Connection]:
    connection = open_writer(tmp_path / "season.db", people.MIGRATIONS)
    yield connection
    connection.close()


def signed_in(client: TestClient, name: str = "keeper") -> str:
    """Sign in and return the session's token."""
    answer = client.post("/api/session", json={"name": name, "password": PASSWORD})
    assert answer.status_code == 204, answer.text
    return str(answer.cookies[COOKIE])


def test_a_password_is_kept_only_as_argon2id(season: sqlite3.Connection) -> None:
    """The file never holds the password, and the right one is recognised, the wrong one and the unknown name not."""
    people.add_person(season, "keeper", Role.OPERATE, PASSWORD)
    found = people.password_hash(season, "keeper")
    assert found is not None
    assert found[1].startswith("$argon2id$")
    assert PASSWORD not in found[1]
    assert people.check_password(found, PASSWORD) == Person("keeper", Role.OPERATE)
    assert people.check_password(found, PASSWORD + "x") is None
    assert people.check_password(None, PASSWORD) is None


@pytest.mark.parametrize(
    ("name", "password"),
    [("", PASSWORD), ("a" * 41, PASSWORD), ("local", PASSWORD), (" k", PASSWORD), ("k", "short"), ("k", "x" * 201)],
)
def test_an_unusable_name_or_password_is_refused(season: sqlite3.Connection, name: str, password: str) -> None:
    """A name needs 1 to 40 characters and may not be "local"; a password needs 10 to 200."""
    with pytest.raises(PeopleError):
        people.add_person(season, name, Role.VIEW, password)
    assert people.list_people(season) == ()


def test_a_name_is_given_once(season: sqlite3.Connection) -> None:
    """Adding a name twice is refused and the first person stays as they were."""
    people.add_person(season, "keeper", Role.VIEW, PASSWORD)
    with pytest.raises(PeopleError, match="there already"):
        people.add_person(season, "keeper", Role.OPERATE, PASSWORD)
    assert people.list_people(season) == (Person("keeper", Role.VIEW),)


def test_a_token_ends_at_its_time_and_with_its_person(season: sqlite3.Connection) -> None:
    """A session is good for 30 days, not a millisecond longer, and dies with its person; only its hash is kept."""
    people.add_person(season, "keeper", Role.OPERATE, PASSWORD)
    token = people.new_session(season, "keeper", NOW_MS)
    assert people.who(season, token, NOW_MS + 30 * DAY_MS - 1) == Person("keeper", Role.OPERATE)
    assert people.who(season, token, NOW_MS + 30 * DAY_MS) is None
    assert token not in str(season.execute("SELECT * FROM session").fetchall())
    people.remove_person(season, "keeper")
    assert people.who(season, token, NOW_MS) is None
    with pytest.raises(PeopleError, match="not known"):
        people.remove_person(season, "keeper")


def test_refusals_cannot_fill_the_disk(season: sqlite3.Connection, monkeypatch: pytest.MonkeyPatch) -> None:
    """Only the newest are kept, and their texts are cut."""
    monkeypatch.setattr(people, "REFUSALS_KEPT", 3)
    for number in range(5):
        people.note_refusal(season, Refusal(NOW_MS + number, "n" * 500, "/p" * 500, "why"))
    kept = people.list_refusals(season)
    assert [each.at_ms - NOW_MS for each in kept] == [4, 3, 2]
    assert len(kept[0].who) == 60
    assert len(kept[0].path) == 200


def test_five_tries_a_minute_and_no_sixth() -> None:
    """The sixth try of a name within 60 s must wait until the first is 60 s old; another name need not."""
    tries = Tries()
    assert [tries.wait_s("keeper", "10.0.0.7", float(second)) for second in range(5)] == [0.0] * 5
    assert tries.wait_s("keeper", "10.0.0.7", 10.0) == 50.0
    assert tries.wait_s("neighbour", "10.0.0.7", 10.0) == 0.0
    assert tries.wait_s("keeper", "10.0.0.7", 60.0) == 0.0
    assert tries.wait_s("keeper", "10.0.0.7", 60.5) > 0.0


def test_tries_of_many_names_are_bounded_together() -> None:
    """Sixty tries a minute over all names are the most, so that invented names cannot keep the machine busy."""
    tries = Tries()
    assert all(tries.wait_s(f"name-{number}", f"10.0.0.{number}", 0.0) == 0.0 for number in range(60))
    assert tries.wait_s("one-more", "10.0.1.0", 0.0) > 0.0


def test_whoever_never_stops_trying_keeps_nobody_else_out() -> None:
    """Twenty tries a minute from one address, whatever the names; somebody elsewhere signs in at once."""
    tries = Tries()
    waits_s = [tries.wait_s(f"name-{number}", "203.0.113.9", 0.0) for number in range(600)]
    assert waits_s == [0.0] * 20 + [60.0] * 580
    assert tries.wait_s("keeper", "10.0.0.7", 0.0) == 0.0
    assert tries.wait_s("keeper", "203.0.113.9", 60.0) == 0.0


@pytest.mark.parametrize(
    ("host", "people_count", "refused"),
    [
        ("127.0.0.1", 0, False),
        ("::1", 0, False),
        ("localhost", 0, False),
        ("127.0.0.1", 2, False),
        ("0.0.0.0", 0, True),
        ("192.168.1.5", 0, True),
        ("::", 0, True),
        ("0.0.0.0", 1, False),
    ],
)
def test_listening_beyond_this_machine_needs_people(host: str, people_count: int, refused: bool) -> None:
    """Without anybody set up only loopback may be listened on; the refusal names the key."""
    if refused:
        with pytest.raises(SettingsError, match=r"web\.host"):
            refuse_unsafe_listen(settings_of(host), people_count)
    else:
        refuse_unsafe_listen(settings_of(host), people_count)


def test_an_app_that_would_listen_unsafely_is_not_made(tmp_path: Path) -> None:
    """`create_app` itself refuses, and lets the file go so that somebody can be added."""
    site = ApiSite(tmp_path, "0.0.0.0")
    with pytest.raises(SettingsError):
        site.client()
    site.add_person("keeper", Role.OPERATE)
    with site.client("192.168.1.20", "http://192.168.1.5:8460") as client:
        assert client.get("/api/enclosures").status_code == 401


def test_whoever_sits_at_the_machine_is_local_while_nobody_is_set_up(tmp_path: Path) -> None:
    """The demo needs no sign-in: the person is "local" and may operate."""
    with ApiSite(tmp_path).client() as client:
        assert client.get("/api/session").json() == {"name": "local", "role": "operate"}


@pytest.mark.parametrize(("caller", "home"), [("192.168.1.9", HOME), ("127.0.0.1", "http://tarn-hollow.example:8460")])
def test_nobody_else_is_local(tmp_path: Path, caller: str, home: str) -> None:
    """Neither another machine, nor a page whose name was pointed at this one, is the local person."""
    with ApiSite(tmp_path).client(caller, home) as client:
        assert client.get("/api/enclosures").status_code == 401


def test_with_people_set_up_even_the_machine_itself_signs_in(tmp_path: Path) -> None:
    """The local person ends with the first person that is added."""
    site = ApiSite(tmp_path)
    site.add_person("keeper", Role.OPERATE)
    with site.client() as client:
        assert client.get("/api/enclosures").status_code == 401


def test_signing_in_sets_a_cookie_that_script_and_other_sites_cannot_use(tmp_path: Path) -> None:
    """HttpOnly, SameSite=Strict; signing out ends the session itself, not only the cookie."""
    site = ApiSite(tmp_path)
    site.add_person("keeper", Role.OPERATE)
    with site.client() as client:
        answer = client.post("/api/session", json={"name": "keeper", "password": PASSWORD})
        said = answer.headers["set-cookie"].lower()
        assert "httponly" in said
        assert "samesite=strict" in said
        token = answer.cookies[COOKIE]
        assert client.get("/api/session").json()["name"] == "keeper"
        assert client.delete("/api/session", headers={"Origin": HOME}).status_code == 204
        assert client.get("/api/session", headers={"Authorization": f"Bearer {token}"}).status_code == 401


def test_the_sixth_wrong_password_must_wait(tmp_path: Path) -> None:
    """Five wrong ones are 401, the sixth within the minute is 429 with Retry-After, even if it is right."""
    site = ApiSite(tmp_path)
    site.add_person("keeper", Role.OPERATE)
    with site.client() as client:
        wrong = {"name": "keeper", "password": "not the password"}
        assert [client.post("/api/session", json=wrong).status_code for _ in range(5)] == [401] * 5
        answer = client.post("/api/session", json={"name": "keeper", "password": PASSWORD})
        assert answer.status_code == 429
        assert answer.headers["retry-after"] == "60"
        site.clock.sleep(61)
        signed_in(client)


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"Origin": HOME}, 202),
        ({"Sec-Fetch-Site": "same-origin"}, 202),
        ({"Sec-Fetch-Site": "cross-site", "Origin": HOME}, 403),
        ({"Sec-Fetch-Site": "same-site"}, 403),
        ({"Origin": "http://elsewhere.example"}, 403),
        ({"Origin": "null"}, 403),
        ({}, 403),
    ],
)
def test_a_change_by_cookie_must_come_from_our_own_page(tmp_path: Path, headers: dict[str, str], status: int) -> None:
    """A foreign page, or one that does not say where it comes from, changes nothing with somebody's cookie."""
    site = ApiSite(tmp_path)
    site.add_person("keeper", Role.OPERATE)
    with site.client() as client:
        signed_in(client)
        answer = client.post("/api/enclosures/larch/disarm", json={"why": "frost is over"}, headers=headers)
        assert answer.status_code == status


def test_a_foreign_page_cannot_use_the_local_person(tmp_path: Path) -> None:
    """Without sign-in a foreign page in the same browser is still refused; a program on the machine is not."""
    with ApiSite(tmp_path).client() as client:
        body = {"why": "frost is over"}
        foreign = {"Origin": "http://elsewhere.example"}
        assert client.post("/api/enclosures/larch/arm", json=body, headers=foreign).status_code == 403
        assert client.post("/api/enclosures/larch/arm", json=body).status_code == 202
