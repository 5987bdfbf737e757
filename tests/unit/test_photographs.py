"""Photographs on notes: by form and by call, kept whole or not at all, seen by who may look, removed for good."""

import asyncio
import errno
import os
import shutil
import sqlite3
import tempfile
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from fastapi.testclient import TestClient

from api.people import Role
from api.routes import report
from api.season import photographs
from tests.api_site import ApiSite
from tests.photographs import by_phone, noise, picture, written

HOME = {"sec-fetch-site": "same-origin"}
FIG = {
    "name": "L1 <b>",
    "cultivar": "brown fig",
    "protection": "open",
    "stands": "ground",
    "scale": "fig",
}
STAGE = {"kind": "stage", "day": "2026-02-27", "code": "9"}
CALL = "/api/season/plants/1/notes/1/photographs"


@pytest.fixture
def site(tmp_path: Path) -> ApiSite:
    return ApiSite(tmp_path)


@pytest.fixture
def client(site: ApiSite) -> Iterator[TestClient]:
    with site.client(**HOME) as client:
        assert client.post("/plants", data=FIG).status_code == 303
        yield client


def send(client: TestClient, content: bytes, path: str = "/plants/1/notes", **fields: str) -> Any:
    """Send a form with a photograph, as the page does."""
    return client.post(path, data=fields or STAGE, files={"photograph": ("IMG 0001.heic", content, "image/heic")})


def files(site: ApiSite) -> list[str]:
    return sorted(each.name for each in (site.folder / "photographs").glob("*"))


def test_a_stage_comes_with_its_photograph(site: ApiSite, client: TestClient) -> None:
    """One form keeps both; the page shows it small, with words in its place, and leads to the whole of it."""
    answer = send(client, by_phone())
    assert (answer.status_code, answer.headers["location"]) == (303, "/plants/1#seen")
    text = client.get("/plants/1").text
    assert 'src="/api/season/photographs/1?small=true" width="480" height="360"' in text
    assert 'alt="L1 &lt;b&gt;, Fri 27 Feb: buds begin to break"' in text
    large, small = (client.get(f"/api/season/photographs/1{query}") for query in ("", "?small=true"))
    assert (large.status_code, large.content[:3], small.content[:3]) == (200, b"\xff\xd8\xff", b"\xff\xd8\xff")
    assert len(small.content) < len(large.content)
    assert len(files(site)) == 2
    assert {stat.st_mode & 0o777 for stat in map(os.stat, (site.folder / "photographs").iterdir())} == {0o600}


def test_it_is_given_as_what_it_is_and_asked_for_each_time(client: TestClient) -> None:
    """A JPEG that nobody may take for anything else, kept by no cache that others use; unchanged, it is not sent."""
    send(client, by_phone())
    answer = client.get("/api/season/photographs/1")
    told = {name: answer.headers[name] for name in ("content-type", "x-content-type-options", "cache-control")}
    assert told == {
        "content-type": "image/jpeg",
        "x-content-type-options": "nosniff",
        "cache-control": "private, no-cache",
    }
    assert answer.headers["content-disposition"] == 'inline; filename="photograph-1.jpg"'
    assert answer.headers["cross-origin-resource-policy"] == "same-origin"
    tag = answer.headers["etag"]
    again = client.get("/api/season/photographs/1", headers={"If-None-Match": tag})
    assert (again.status_code, again.content, again.headers["cache-control"]) == (304, b"", "private, no-cache")
    assert client.get("/api/season/photographs/1?small=true", headers={"If-None-Match": tag}).status_code == 200


def test_a_photograph_says_enough_for_a_remark(client: TestClient) -> None:
    """Without a word it is a remark all the same; with words they stand in its place too."""
    send(client, by_phone(), kind="remark", day="2026-02-27", words=" ")
    send(client, by_phone(3), kind="damage", day="2026-02-28", share_pct="15", words="tips black")
    text = client.get("/plants/1").text
    assert "Photograph <small>by local</small>" in text
    assert 'alt="L1 &lt;b&gt;, Fri 27 Feb: photograph"' in text
    assert 'alt="L1 &lt;b&gt;, yesterday: 15\N{NO-BREAK SPACE}% of the shoots damaged, tips black"' in text


def test_a_form_without_a_photograph_is_what_it_was(site: ApiSite, client: TestClient) -> None:
    """Browsers send an empty file where none was chosen."""
    assert client.post("/plants/1/notes", data=STAGE, files={"photograph": ("", b"")}).status_code == 303
    assert "Buds begin to break" in client.get("/plants/1").text
    assert files(site) == []


@pytest.mark.parametrize("content", [b"%PDF-1.7", by_phone()[:4000]])
def test_what_is_no_photograph_keeps_the_note_out_as_well(site: ApiSite, client: TestClient, content: bytes) -> None:
    """422 in words; neither note nor file is kept. A note that cannot be keeps its photograph out too."""
    answer = send(client, content)
    assert (answer.status_code, "Nothing was kept." in answer.text) == (422, True)
    assert send(client, by_phone(), **{**STAGE, "code": "88"}).status_code == 422
    assert client.get("/api/season/plants/1").json()["notes"] == []
    assert files(site) == []


def test_no_photograph_takes_the_room_that_heat_needs(
    site: ApiSite, client: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    """507 with what is free and what must stay so; 512 MiB and the picture itself are enough."""
    send(client, by_phone())
    needed = sum(each.stat().st_size for each in (site.folder / "photographs").iterdir())
    free = 512 * 1024 * 1024 + needed - 1
    monkeypatch.setattr(shutil, "disk_usage", lambda _: SimpleNamespace(free=free))
    answer = send(client, by_phone(), kind="remark", day="2026-02-27", words="again")
    assert (answer.status_code, "512 MiB are free, 512 must stay so" in answer.text) == (507, True)
    assert len(client.get("/api/season/plants/1").json()["notes"]) == 1
    monkeypatch.setattr(shutil, "disk_usage", lambda _: SimpleNamespace(free=free + 1))
    assert send(client, by_phone(), kind="remark", day="2026-02-27", words="again").status_code == 303


@pytest.mark.parametrize("broken", ["fsync", "replace"])
def test_a_disk_that_fails_keeps_neither_note_nor_half_a_file(
    site: ApiSite, client: TestClient, monkeypatch: pytest.MonkeyPatch, broken: str
) -> None:
    """507, by the page and by the call; once it is well again, so is the photograph."""

    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    client.post("/plants/1/notes", data=STAGE)
    with monkeypatch.context() as patch:
        patch.setattr(os, broken, full)
        answer = send(client, by_phone(), kind="remark", day="2026-02-27")
        assert (answer.status_code, "No space left on device" in answer.text) == (507, True)
        assert client.post(CALL, content=by_phone()).json()["status"] == 507
    assert len(client.get("/api/season/plants/1").json()["notes"]) == 1
    assert files(site) == []
    assert client.post(CALL, content=by_phone()).status_code == 201


def test_a_large_photograph_touches_no_disk_before_it_is_read(
    client: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    """2 MiB and more stay in memory until they are drawn anew."""

    def refused(*_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(tempfile.SpooledTemporaryFile, "rollover", refused)
    content = noise(1400, 1400)
    assert len(content) > 2_000_000
    assert send(client, content).status_code == 303


def test_a_photograph_is_added_to_a_note_and_stays_with_it_when_corrected(client: TestClient) -> None:
    """It goes with the correction; taken back, it is shown with what was taken back."""
    client.post("/plants/1/notes", data=STAGE)
    assert send(client, by_phone(), "/plants/1/photographs", note="1").status_code == 303
    client.post("/plants/1/notes", data={**STAGE, "code": "11", "replaces": "1"})
    (note,) = client.get("/api/season/plants/1").json()["notes"]
    assert (note["number"], [each["number"] for each in note["photographs"]]) == (2, [1])
    late = send(client, by_phone(3), "/plants/1/photographs", note="1")
    assert (late.status_code, "note 1 does not stand on plant 1" in late.text) == (422, True)
    client.post("/plants/1/withdraw", data={"note": "2"})
    seen, _, gone = client.get("/plants/1").text.partition("Corrected or taken back")
    assert ("photographs/1" in seen, gone.count("<img")) == (False, 1)


def test_by_call_it_is_sent_as_it_is(client: TestClient) -> None:
    """201 with its number; the same one again is the same number; on what does not stand, 409."""
    client.post("/plants/1/notes", data=STAGE)
    for content in (by_phone(), by_phone()):
        answer = client.post(CALL, content=content)
        assert (answer.status_code, answer.json()) == (201, {"plant": 1, "note": 1, "number": 1})
    assert client.post(CALL, content=written(picture(), "WEBP")).json()["number"] == 2
    assert client.post(CALL.replace("notes/1", "notes/9"), content=by_phone()).status_code == 409
    assert client.post(CALL.replace("plants/1", "plants/9"), content=by_phone()).status_code == 409
    answer = client.post(CALL, content=b"GIF89a")
    assert (answer.status_code, "are of none of JPEG, PNG, WEBP" in answer.json()["detail"]) == (422, True)
    assert client.post(CALL, content=b"\xff" * 12_582_913).status_code == 413
    assert client.post(CALL, content=b"\xff" * 12_582_912).status_code == 422


def test_a_note_has_at_most_twelve(client: TestClient, monkeypatch: pytest.MonkeyPatch) -> None:
    """The next is refused, with the number."""
    client.post("/plants/1/notes", data=STAGE)
    assert photographs.MOST_ON_A_NOTE == 12
    monkeypatch.setattr(photographs, "MOST_ON_A_NOTE", 2)
    for red in (20, 30):
        assert client.post(CALL, content=written(picture(red=red))).status_code == 201
    answer = client.post(CALL, content=written(picture(red=40)))
    assert (answer.status_code, "at most 2; write a new note" in answer.json()["detail"]) == (409, True)


def test_a_photograph_is_removed_for_good_and_that_it_was_there_stays(site: ApiSite, client: TestClient) -> None:
    """Its files go with the last that has them; who removed it is on record."""
    for day in ("2026-02-26", "2026-02-27"):
        send(client, by_phone(), **{**STAGE, "day": day})
    assert len(files(site)) == 2
    assert client.delete("/api/season/photographs/1").status_code == 204
    assert (client.get("/api/season/photographs/1").status_code, len(files(site))) == (404, 2)
    assert client.post("/plants/1/photographs/remove", data={"photograph": "2"}).status_code == 303
    assert (client.get("/api/season/photographs/2").status_code, files(site)) == (404, [])
    assert client.delete("/api/season/photographs/2").status_code == 404
    assert "<img" not in client.get("/plants/1").text
    with closing(sqlite3.connect(site.folder / "season.db")) as connection:
        assert connection.execute("SELECT photograph, who FROM photograph_removed").fetchall() == [
            (1, "local"),
            (2, "local"),
        ]
        for table in ("photograph", "photograph_removed"):
            for change in (f"UPDATE {table} SET who = 'nobody'", f"DELETE FROM {table}"):
                with pytest.raises(sqlite3.IntegrityError, match="are kept"):
                    connection.execute(change)


def test_what_the_disk_does_not_let_go_of_is_still_there(
    site: ApiSite, client: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    """507, and the photograph stands: nobody is told that it is gone while it is not."""
    send(client, by_phone())

    def stuck(*_: object, **__: object) -> None:
        raise OSError(errno.EROFS, "Read-only file system")

    with monkeypatch.context() as patch:
        patch.setattr(Path, "unlink", stuck)
        answer = client.delete("/api/season/photographs/1")
    assert (answer.status_code, "Read-only file system" in answer.json()["detail"]) == (507, True)
    assert client.get("/api/season/photographs/1").status_code == 200


def test_a_file_that_is_missing_is_said(site: ApiSite, client: TestClient) -> None:
    """404 with the remedy; it can still be removed."""
    send(client, by_phone())
    shutil.rmtree(site.folder / "photographs")
    answer = client.get("/api/season/photographs/1")
    assert (answer.status_code, "put back a backup" in answer.json()["detail"]) == (404, True)
    assert client.delete("/api/season/photographs/1").status_code == 204


def test_who_may_look_sees_and_changes_nothing(site: ApiSite) -> None:
    """The picture is shown without a form beside it; whoever has not signed in gets nothing."""
    with site.client(**HOME) as client:
        client.post("/plants", data=FIG)
        send(client, by_phone())
    token = site.add_person("neighbour", Role.VIEW)
    with site.client("10.0.0.9", Authorization=f"Bearer {token}") as client:
        assert client.get("/api/season/photographs/1").status_code == 200
        text = client.get("/plants/1").text
        assert ("photographs/1?small=true" in text, 'type="file"' in text, "/remove" in text) == (True, False, False)
        assert client.delete("/api/season/photographs/1").status_code == 403
        assert client.post(CALL, content=by_phone()).status_code == 403
        assert send(client, by_phone()).status_code == 403
        assert send(client, by_phone(), "/plants/1/photographs", note="1").status_code == 403
        assert client.post("/plants/1/photographs/remove", data={"photograph": "1"}).status_code == 403
    with site.client("10.0.0.9") as stranger:
        assert stranger.get("/api/season/photographs/1").status_code == 401


def test_a_foreign_page_adds_and_removes_nothing(client: TestClient) -> None:
    """403 for each form."""
    send(client, by_phone())
    client.headers.update({"sec-fetch-site": "cross-site"})
    assert send(client, by_phone(3)).status_code == 403
    assert send(client, by_phone(3), "/plants/1/photographs", note="1").status_code == 403
    assert client.post("/plants/1/photographs/remove", data={"photograph": "1"}).status_code == 403
    assert client.delete("/api/season/photographs/1").status_code == 403


@pytest.mark.parametrize("path", ["/plants/1/notes", "/plants/1/photographs", CALL])
def test_nobody_is_listened_to_before_it_is_known_who_they_are(site: ApiSite, path: str) -> None:
    """401 although not a byte of the 12 MiB was read."""
    site.add_person("keeper", Role.OPERATE)
    answers: list[Any] = []

    async def receive() -> Any:
        raise AssertionError("the body was read")

    async def send_back(message: Any) -> None:
        answers.append(message)

    head = [(b"content-type", b"multipart/form-data; boundary=x"), (b"content-length", b"12000000")]
    scope = {"type": "http", "method": "POST", "path": path, "headers": head, "client": ("10.0.0.9", 5)}
    more = {"query_string": b"", "root_path": "", "scheme": "http", "http_version": "1.1", "server": ("site", 80)}
    with site.client() as client:
        asyncio.run(client.app({**scope, **more}, receive, send_back))  # type: ignore[arg-type]
    assert answers[0]["status"] == 401


def test_a_form_that_cannot_be_read_is_refused(client: TestClient) -> None:
    """400 or 422 in words, never 500: two files, no boundary, a note that is no number."""
    two = [("photograph", ("a.jpg", by_phone())), ("photograph", ("b.jpg", by_phone()))]
    assert client.post("/plants/1/notes", data=STAGE, files=two).status_code == 400
    bare = {"content-type": "multipart/form-data"}
    assert client.post("/plants/1/notes", content=b"x", headers=bare).status_code == 400
    assert send(client, by_phone(), "/plants/1/photographs", note="x").status_code == 422
    assert client.post("/plants/1/notes", data={**STAGE, "words": "x" * 500}).status_code == 422


def test_what_a_power_cut_left_half_written_is_gone_at_the_next_start(site: ApiSite) -> None:
    """And nothing else."""
    place = site.folder / "photographs"
    place.mkdir()
    for name in ("a.jpg", "a.12345678.new"):
        (place / name).write_bytes(b"x")
    with site.client():
        assert files(site) == ["a.jpg"]


def test_the_seasons_report_shows_them(client: TestClient, monkeypatch: pytest.MonkeyPatch) -> None:
    """With plant and day under each; the PDF has them inside, since it is printed from one file."""
    send(client, by_phone())
    text = client.get("/report?year=2026").text
    assert "<figcaption>L1 &lt;b&gt;, 27 February</figcaption>" in text
    assert 'alt="L1 &lt;b&gt;, Fri 27 Feb 2026: buds begin to break"' in text
    assert "Photographs" not in client.get("/report?year=2025").text
    monkeypatch.setattr(report, "_chromium", lambda: "chromium")
    monkeypatch.setattr(report, "_printed", lambda _, whole: whole.encode())
    printed = client.get("/report.pdf?year=2026").text
    assert ('src="data:image/jpeg;base64,/9j/' in printed, "api/season/photographs" in printed) == (True, False)
