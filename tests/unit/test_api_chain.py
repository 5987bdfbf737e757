"""The journal's chain: read once, then only what is new, and whole when asked."""

import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from api.chain import Chain
from controller.store.connection import open_reader
from controller.store.journal import Entry
from tests.api_site import NOW_MS, ApiSite

DAY_MS = 86_400_000


@pytest.fixture
def site(tmp_path: Path) -> ApiSite:
    site = ApiSite(tmp_path)
    write(site, 5)
    return site


def write(site: ApiSite, count: int) -> None:
    """Append entries as the controller would."""
    site.write_journal(*[Entry("answer", "larch", "keeper", "why", {"n": n}, NOW_MS) for n in range(count)])


def forge(site: ApiSite, statement: str) -> None:
    """Change the file as somebody with the disk in their hands could."""
    with closing(sqlite3.connect(site.folder / "journal.db")) as connection, connection:
        for trigger in ("journal_is_not_edited", "journal_is_not_deleted", "journal_grows_at_the_end"):
            connection.execute(f"DROP TRIGGER IF EXISTS {trigger}")
        connection.execute(statement)


def walker(site: ApiSite, chain: Chain) -> Callable[..., tuple[bool, int, int]]:
    """Return a walk that tells whether the chain holds, how many entries it has, and how many were read."""

    def walk(now_ms: int = NOW_MS, whole: bool = False) -> tuple[bool, int, int]:
        with closing(open_reader(site.folder / "journal.db")) as connection:
            found = chain.walk(connection, now_ms, whole)
        return found.proof.holds, found.proof.entries, found.read

    return walk


def test_only_what_is_new_is_read_again(site: ApiSite) -> None:
    """Five entries once, then none, then the three that were added."""
    walk = walker(site, Chain())
    assert walk() == (True, 5, 5)
    assert walk() == (True, 5, 0)
    write(site, 3)
    assert walk() == (True, 8, 3)


def test_a_journal_without_entries_holds_however_often_it_is_walked(tmp_path: Path) -> None:
    """As before a site's first start: nothing was seen, so nothing is missed; what is entered then is read."""
    (tmp_path / "new").mkdir()
    site = ApiSite(tmp_path / "new")
    write(site, 0)
    walk = walker(site, Chain())
    assert [walk(), walk(), walk(whole=True)] == [(True, 0, 0)] * 3
    write(site, 2)
    assert walk() == (True, 2, 2)


def test_while_a_walk_takes_long_another_is_put_off(site: ApiSite, monkeypatch: pytest.MonkeyPatch) -> None:
    """Programs are told to ask again, people see the journal all the same; and then it is walked as ever."""
    monkeypatch.setattr("api.chain.PATIENCE_S", 0.01)
    with site.client() as client:
        chain: Chain = client.app.state.soilward.chain  # type: ignore[attr-defined]
        with chain._one_at_a_time:
            assert client.get("/api/journal/proof").status_code == 429
            assert client.get("/journal", headers={"Accept": "text/html"}).status_code == 200
        assert client.get("/api/journal/proof").json()["holds"] is True


def test_an_edit_of_an_old_entry_is_found_by_the_whole_walk(site: ApiSite) -> None:
    """The short walk cannot see it, the whole one names the entry, and so does every walk after that."""
    walk = walker(site, Chain())
    walk()
    forge(site, "UPDATE journal SET why = 'another' WHERE sequence = 2")
    assert walk() == (True, 5, 0)
    assert walk(whole=True) == (False, 1, 1)
    assert walk()[0] is False


def test_an_old_edit_is_found_after_a_day_without_being_asked(site: ApiSite) -> None:
    """One millisecond before the day is over the short walk is enough, at the day the whole chain is read."""
    walk = walker(site, Chain())
    walk()
    forge(site, "UPDATE journal SET why = 'another' WHERE sequence = 2")
    assert walk(NOW_MS + DAY_MS - 1)[0] is True
    assert walk(NOW_MS + DAY_MS)[0] is False


def test_an_edit_of_a_new_entry_is_found_at_once(site: ApiSite) -> None:
    """What was written since the last walk is checked against what was found then."""
    walk = walker(site, Chain())
    walk()
    write(site, 2)
    forge(site, "UPDATE journal SET why = 'another' WHERE sequence = 7")
    assert walk() == (False, 6, 1)


def test_entries_cut_off_at_the_end_are_missed_by_whoever_saw_them(site: ApiSite) -> None:
    """A chain that was longer a moment ago does not hold, though what is left of it fits."""
    walk, fresh = walker(site, Chain()), walker(site, Chain())
    walk()
    forge(site, "DELETE FROM journal WHERE sequence = 5")
    assert walk()[0] is False
    assert walk()[0] is False
    assert fresh() == (True, 4, 4)


def test_the_last_entry_written_anew_is_missed_too(site: ApiSite) -> None:
    """Another entry in the last place, with a hash that fits, is not the one that was seen."""
    walk = walker(site, Chain())
    walk()
    forge(site, "DELETE FROM journal WHERE sequence = 5")
    site.write_journal(Entry("answer", "larch", "keeper", "forged", {}, NOW_MS))
    assert walk()[0] is False


def test_the_call_walks_the_whole_chain_only_when_asked(site: ApiSite) -> None:
    """Without `full` the proof says how little was read and when it last was all; with it an old edit is found."""
    with site.client() as client:
        client.get("/api/journal/proof")
        site.clock.sleep(60)
        said = client.get("/api/journal/proof").json()
        assert (said["holds"], said["read"], said["whole_walk"]) == (True, 0, "2026-03-01T04:12:02.000Z")
        forge(site, "UPDATE journal SET why = 'another' WHERE sequence = 2")
        said = client.get("/api/journal/proof?full=true").json()
        assert (said["holds"], said["first_bad"]) == (False, 2)
        assert said["whole_walk"] == "2026-03-01T04:13:02.000Z"


def test_the_chain_is_walked_when_the_program_starts(site: ApiSite) -> None:
    """The first page finds it walked already."""
    with site.client() as client:
        chain: Chain = client.app.state.soilward.chain  # type: ignore[attr-defined]
    assert chain._known is not None
    assert chain._known.read == 5


def page(client: TestClient, path: str) -> str:
    """Return a page as a browser gets it."""
    return client.get(path, headers={"Accept": "text/html"}).text


def test_a_broken_chain_is_said_on_the_journal_page_and_can_be_noted(site: ApiSite) -> None:
    """The page names the entry and files, for every enclosure, that somebody has taken note of it."""
    forge(site, "UPDATE journal SET why = 'another' WHERE sequence = 2")
    with site.client() as client:
        text = page(client, "/journal")
        assert "The chain is broken: entry 2" in text
        assert 'name="sequence" value="2"' in text
        form = {"sequence": "2", "why": "card was cloned by me"}
        answer = client.post("/journal/acknowledge", data=form, headers={"sec-fetch-site": "same-origin"})
        assert (answer.status_code, answer.headers["location"]) == (303, "/journal?kind=answer")
        state = client.app.state.soilward  # type: ignore[attr-defined]
        rows = state.requests.do(lambda c: c.execute("SELECT enclosure, kind, arguments FROM request").fetchall())
    assert rows == [(name, "acknowledge", '{"sequence":2}') for name in ("larch", "elder")]
