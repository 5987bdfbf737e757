"""The record of plants over HTTP and in its file: nothing is lost, and what cannot be is refused in words."""

import sqlite3
from contextlib import closing
from typing import Any

import pytest
from fastapi.testclient import TestClient

from api import people
from api.season.bbch import Scale, codes
from controller.store.connection import open_writer
from tests.api_site import ApiSite

CALL = "/api/season/plants"
FIG = {
    "name": "L1",
    "cultivar": "brown fig",
    "place": "south end",
    "enclosure": "larch",
    "protection": "tunnel with heat",
    "stands": "ground",
    "planted": 2022,
    "scale": "fig",
}
HARVEST = {"kind": "harvest", "day": "2025-08-19", "count": 7, "grams": 310.0, "crop": "main"}


def test_a_plant_is_kept_with_its_stage_and_last_harvest(client: TestClient) -> None:
    """The newest day counts, in whatever order notes are written; who and when stand beside it."""
    client.post(CALL, json=FIG)
    client.post(f"{CALL}/1/notes", json={"kind": "stage", "day": "2026-02-27", "code": 9})
    client.post(f"{CALL}/1/notes", json={"kind": "stage", "day": "2026-01-10", "code": 0})
    client.post(f"{CALL}/1/notes", json=HARVEST)
    (found,) = client.get(CALL).json()["plants"]
    assert (found["number"], found["active"], found["by"]) == (1, True, "local")
    assert (found["stage"]["stage"], found["stage"]["frost_stage"]) == ("buds begin to break", "buds opening")
    assert (found["last_harvest"]["count"], found["last_harvest"]["grams"]) == (7, 310.0)
    assert [each["kind"] for each in client.get(f"{CALL}/1").json()["notes"]] == ["stage", "stage", "harvest"]


def test_a_correction_replaces_and_both_rows_stay(site: ApiSite, client: TestClient) -> None:
    """A note can be corrected once; a second correction of the same one is told to look again."""
    client.post(CALL, json=FIG)
    kept = client.post(f"{CALL}/1/notes", json=HARVEST).json()["number"]
    assert client.post(f"{CALL}/1/notes", json={**HARVEST, "count": 8, "replaces": kept}).status_code == 201
    assert [each["count"] for each in client.get(f"{CALL}/1").json()["notes"]] == [8]
    again = client.post(f"{CALL}/1/notes", json={**HARVEST, "count": 9, "replaces": kept})
    assert (again.status_code, "look again" in again.json()["detail"]) == (409, True)
    other = client.post(f"{CALL}/1/notes", json={"kind": "stage", "day": "2026-02-27", "code": 9, "replaces": 2})
    assert other.status_code == 409
    with closing(sqlite3.connect(site.folder / "season.db")) as connection:
        assert connection.execute("SELECT count, replaces FROM plant_note ORDER BY id").fetchall() == [
            (7, None),
            (8, 1),
        ]


def test_a_withdrawn_note_no_longer_counts_and_stays(site: ApiSite, client: TestClient) -> None:
    """204; the second time there is nothing to withdraw."""
    client.post(CALL, json=FIG)
    client.post(
        f"{CALL}/1/notes", json={"kind": "damage", "day": "2026-02-20", "share_pct": 15.0, "words": "tips black"}
    )
    assert client.post(f"{CALL}/1/notes/1/withdraw").status_code == 204
    assert client.get(f"{CALL}/1").json()["notes"] == []
    assert client.post(f"{CALL}/1/notes/1/withdraw").status_code == 409
    with closing(sqlite3.connect(site.folder / "season.db")) as connection:
        assert connection.execute("SELECT words, withdrawn FROM plant_note").fetchall() == [
            ("tips black", 0),
            ("tips black", 1),
        ]


def test_what_a_plant_was_is_kept_when_it_changes(site: ApiSite, client: TestClient) -> None:
    """The newest row rules; a plant no longer watched comes last."""
    client.post(CALL, json=FIG)
    client.post(CALL, json={**FIG, "name": "L2"})
    changed = client.put(f"{CALL}/1", json={**FIG, "protection": "wrapped", "enclosure": None, "active": False})
    assert (changed.status_code, changed.json()["protection"]) == (200, "wrapped")
    assert [each["name"] for each in client.get(CALL).json()["plants"]] == ["L2", "L1"]
    with closing(sqlite3.connect(site.folder / "season.db")) as connection:
        assert connection.execute("SELECT count(*) FROM plant WHERE plant = 1").fetchone() == (2,)


@pytest.mark.parametrize("table", ["plant", "plant_note"])
@pytest.mark.parametrize("change", ["UPDATE {} SET who = 'nobody'", "DELETE FROM {}"])
def test_no_row_can_be_changed_or_taken_away(client: TestClient, site: ApiSite, table: str, change: str) -> None:
    """The file itself refuses."""
    client.post(CALL, json=FIG)
    client.post(f"{CALL}/1/notes", json=HARVEST)
    with (
        closing(sqlite3.connect(site.folder / "season.db")) as connection,
        pytest.raises(sqlite3.IntegrityError, match="are kept"),
    ):
        connection.execute(change.format(table))


@pytest.mark.parametrize(
    ("kind", "body", "said"),
    [
        ("stage", {"day": "2026-03-02", "code": 9}, "is outside 1950-01-01 to 2026-03-01 (today)"),
        ("stage", {"day": "1949-12-31", "code": 9}, "is outside 1950-01-01"),
        ("stage", {"day": "20260301", "code": 9}, "write it like 2026-08-19"),
        ("stage", {"day": "2026-02-29", "code": 9}, "is no day"),
        ("stage", {"day": "2026-03-01", "code": 88}, "87 ripe for picking"),
        ("damage", {"day": "2026-03-01", "share_pct": 100.1}, "100"),
        ("damage", {"day": "2026-03-01", "share_pct": 1.0, "words": "a\nb"}, "line break"),
        ("harvest", {"day": "2026-03-01", "crop": "main"}, "write one of them"),
        ("harvest", {"day": "2026-03-01", "crop": "third", "count": 1}, "main"),
        ("never", {"day": "2026-03-01"}, "crop"),
        ("remark", {"day": "2026-03-01", "words": " "}, "is empty; write what was seen or done"),
        ("remark", {"day": "2026-03-01", "words": "pruned", "code": 9}, "code"),
        ("wish", {"day": "2026-03-01"}, "remark"),
    ],
)
def test_what_cannot_have_been_seen_is_refused(client: TestClient, kind: str, body: dict[str, Any], said: str) -> None:
    """422, naming the bound; nothing is kept. 2026-03-01 itself, today at the site, is fine."""
    client.post(CALL, json=FIG)
    answer = client.post(f"{CALL}/1/notes", json={"kind": kind, **body})
    assert (answer.status_code, said in answer.text) == (422, True), answer.text
    assert client.get(f"{CALL}/1").json()["notes"] == []


@pytest.mark.parametrize(
    ("changed", "status", "said"),
    [
        ({"name": "L1"}, 409, "is there already, as number 1"),
        ({"name": " "}, 422, "name"),
        ({"name": "L2", "enclosure": "oak"}, 422, "is not in settings; write one of larch, elder"),
        ({"name": "L2", "planted": 2027}, 422, "is outside 1800 to 2026"),
        ({"name": "L2", "protection": "hope"}, 422, "protection"),
    ],
)
def test_a_plant_that_cannot_be_is_refused(client: TestClient, changed: dict[str, Any], status: int, said: str) -> None:
    """Each with the value, the bound and what to write."""
    client.post(CALL, json=FIG)
    answer = client.post(CALL, json={**FIG, **changed})
    assert (answer.status_code, said in answer.text) == (status, True), answer.text
    assert len(client.get(CALL).json()["plants"]) == 1


def test_a_plant_that_is_not_there_is_404(client: TestClient) -> None:
    """For reading, changing, noting and withdrawing alike."""
    answers = [
        client.get(f"{CALL}/9"),
        client.put(f"{CALL}/9", json=FIG),
        client.post(f"{CALL}/9/notes", json=HARVEST),
        client.post(f"{CALL}/9/notes/1/withdraw"),
    ]
    assert [each.status_code for each in answers] == [404] * 4


def test_who_may_only_look_changes_nothing(site: ApiSite) -> None:
    """Reading is open to the role view, every change is 403."""
    token = site.add_person("neighbour", people.Role.VIEW)
    with site.client("10.0.0.9", Authorization=f"Bearer {token}") as client:
        assert client.get(CALL).json() == {"plants": []}
        assert client.get(f"{CALL}.csv").status_code == 200
        assert client.post(CALL, json=FIG).status_code == 403
        assert client.post(f"{CALL}.csv", content="x").status_code == 403
        assert client.post(f"{CALL}/1/notes", json=HARVEST).status_code == 403


def test_a_file_without_plants_is_moved_on(site: ApiSite) -> None:
    """Version 2 of the file keeps its people and takes plants."""
    open_writer(site.folder / "season.db", people.MIGRATIONS[:2]).close()
    site.add_person("keeper", people.Role.OPERATE)
    with site.client() as client:
        assert client.get(CALL).status_code == 401


def test_a_file_without_remarks_is_moved_on_with_every_note_and_correction(site: ApiSite) -> None:
    """Version 4 of the file: the numbers, what replaces what, and that nothing can be changed, all stay."""
    columns = "plant, kind, day, count, crop, words, replaces, withdrawn, who, at_ms"
    with closing(open_writer(site.folder / "season.db", people.MIGRATIONS[:4])) as old:
        for row in ("7, 'main', '', NULL, 0", "8, 'main', '', 1, 0", "8, 'main', '', 2, 1"):
            old.execute(f"INSERT INTO plant_note ({columns}) VALUES (1, 'harvest', '2025-08-19', {row}, 'keeper', 1)")
    with closing(open_writer(site.folder / "season.db", people.MIGRATIONS)) as moved:
        kept = moved.execute("SELECT id, count, replaces, withdrawn FROM plant_note ORDER BY id").fetchall()
        assert kept == [(1, 7, None, 0), (2, 8, 1, 0), (3, 8, 2, 1)]
        row = "'remark', '2026-02-14', NULL, NULL, 'pruned', NULL, 0, 'keeper', 1"
        moved.execute(f"INSERT INTO plant_note ({columns}) VALUES (1, {row})")
        with pytest.raises(sqlite3.IntegrityError, match="UNIQUE"):
            moved.execute(f"INSERT INTO plant_note ({columns}) VALUES (1, {row.replace('NULL, 0', '1, 0')})")
        with pytest.raises(sqlite3.IntegrityError, match="are kept"):
            moved.execute("DELETE FROM plant_note")


def test_a_scale_that_has_no_word_for_what_was_seen_is_refused(client: TestClient) -> None:
    """A stage of the fig's own scale stays readable: the plant keeps that scale until the note is withdrawn."""
    client.post(CALL, json=FIG)
    own = next(iter(sorted(set(codes(Scale.FIG)) - set(codes(Scale.GENERAL)))))
    note = client.post(f"{CALL}/1/notes", json={"kind": "stage", "day": "2026-02-20", "code": own}).json()["number"]
    answer = client.put(f"{CALL}/1", json={**FIG, "scale": "general"})
    assert answer.status_code in (409, 422)
    assert f"stage {own:02}" in answer.json()["detail"]
    client.post(f"{CALL}/1/notes/{note}/withdraw")
    assert client.put(f"{CALL}/1", json={**FIG, "scale": "general"}).status_code == 200


def test_a_plant_whose_enclosure_is_gone_from_settings_can_still_be_changed(site: ApiSite) -> None:
    """It is watched no longer where it stood; another plant cannot be put there."""
    with site.client() as client:
        client.post(CALL, json=FIG)
    site.settings = site.settings.model_copy(update={"enclosure": site.settings.enclosure[1:]})
    with site.client() as client:
        assert client.post("/plants/1/watched", data={"active": "no"}).status_code == 303
        found = client.get(f"{CALL}/1").json()
        assert (found["active"], found["enclosure"]) == (False, "larch")
        assert client.post(CALL, json={**FIG, "name": "L2"}).status_code == 422
