"""The pages of plants: read, and written with a thumb, without script."""

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from fastapi.testclient import TestClient
from PIL import Image

from api.people import Role
from tests.api_site import ApiSite
from tests.photographs import written
from tests.unit.pages_site import open_site

SAME_ORIGIN = {"sec-fetch-site": "same-origin"}
FIG = {
    "name": "L1 <b>",
    "cultivar": "brown fig",
    "place": "south end",
    "enclosure": "larch",
    "protection": "tunnel with heat",
    "stands": "ground",
    "planted": "2022",
    "scale": "fig",
}
HARVEST = {"kind": "harvest", "day": "2026-02-28", "count": "7", "grams": "310,5", "crop": "main"}


@pytest.fixture
def site(tmp_path: Path) -> Iterator[TestClient]:
    with open_site(tmp_path) as client:
        client.headers.update(SAME_ORIGIN)
        yield client


def test_a_plant_is_added_noted_and_listed(site: TestClient) -> None:
    """Stage in words with its day, last harvest beside it; markup in a name stays text."""
    assert site.post("/plants", data=FIG).headers["location"] == "/plants/1"
    assert site.post("/plants/1/notes", data={"kind": "stage", "day": "2026-03-01", "code": "9"}).status_code == 303
    assert site.post("/plants/1/notes", data=HARVEST).status_code == 303
    text = site.get("/plants").text
    assert '<a href="/plants/1"><b>L1 &lt;b&gt;</b> brown fig</a>' in text
    assert "buds begin to break <small>today</small>" in text
    assert "7 fruit, 310.5 g, yesterday" in text
    assert "Buds begin to break, today." in site.get("/plants/1").text


@pytest.mark.parametrize(("place", "said"), [("larch", "larch, in the ground"), ("south end", "larch, south end, in")])
def test_a_place_named_as_its_enclosure_is_said_once(site: TestClient, place: str, said: str) -> None:
    """The list says where each plant stands, and no word twice."""
    site.post("/plants", data=FIG | {"place": place})
    assert f"<small>{said}" in site.get("/plants").text


def test_the_entry_has_today_in_it_and_a_button_for_each_stage(site: TestClient) -> None:
    """Pressing one is all it takes; every other stage is in a list, none is missing."""
    site.post("/plants", data=FIG)
    text = site.get("/plants/1").text
    assert set(re.findall(r'type="date" name="day" value="([^"]*)"', text)) == {"2026-03-01"}
    assert '<button name="code" value="87">Ripe for picking</button>' in text
    offered = re.findall(r'<(?:button name="code"|option) value="(\d+)"', text)
    assert sorted(int(code) for code in offered) == sorted({int(code) for code in offered})
    assert len(offered) == 35
    assert "<script>" not in text


def test_anything_else_is_noted_in_words(site: TestClient) -> None:
    """It stands once, with who; without a word it is refused."""
    site.post("/plants", data=FIG)
    said = {"kind": "remark", "day": "2026-02-14", "words": "pruned to three buds"}
    assert site.post("/plants/1/notes", data=said).status_code == 303
    text = site.get("/plants/1").text.partition("What was seen")[2]
    assert "<td>Pruned to three buds <small>by local</small>" in text
    answer = site.post("/plants/1/notes", data={**said, "words": " "})
    assert (answer.status_code, "is empty; write what was seen or done" in answer.text) == (422, True)


def test_a_remark_stands_as_it_was_written(site: TestClient) -> None:
    """Capitals within it were made small: an abbreviation, a name, the second sentence."""
    site.post("/plants", data=FIG)
    site.post("/plants/1/notes", data={"kind": "remark", "day": "2026-02-14", "words": "moved to the SW bed. Ask Ana"})
    assert "<td>Moved to the SW bed. Ask Ana <small>by local</small>" in site.get("/plants/1").text


def test_what_cannot_be_kept_is_said_above_the_form(site: TestClient) -> None:
    """422, in words; nothing is kept."""
    site.post("/plants", data=FIG)
    answer = site.post("/plants/1/notes", data={**HARVEST, "grams": "heavy"})
    assert (answer.status_code, "Nothing was kept." in answer.text, "heavy" in answer.text) == (422, True, True)
    assert "No harvest yet." in site.get("/plants/1").text
    again = site.post("/plants", data=FIG)
    assert (again.status_code, "is there already" in again.text) == (422, True)


def test_a_comma_before_three_digits_is_asked_about(site: TestClient) -> None:
    """A kilogram and a fifth was kept as a gram; a comma before fewer digits is a fraction's."""
    site.post("/plants", data=FIG)
    said = site.post("/plants/1/notes", data={**HARVEST, "grams": "1,200"})
    assert said.status_code == 422
    assert "1,200" in said.text
    assert "is thousands to some and a fraction to others; write it without the comma" in said.text
    assert site.post("/plants/1/notes", data={**HARVEST, "grams": "1200,25"}).status_code == 303
    assert site.get("/api/season/plants/1").json()["notes"][0]["grams"] == 1200.25


def test_a_slip_of_the_thumb_is_taken_back(site: TestClient) -> None:
    """It no longer counts; a second press says so."""
    site.post("/plants", data=FIG)
    site.post("/plants/1/notes", data=HARVEST)
    assert site.post("/plants/1/withdraw", data={"note": "1"}).headers["location"] == "/plants/1#seen"
    assert "No harvest yet." in site.get("/plants/1").text
    assert "does not stand" in site.post("/plants/1/withdraw", data={"note": "1"}).text


def test_a_plant_no_longer_watched_stands_apart_and_may_come_back(site: TestClient) -> None:
    """Its notes stay."""
    site.post("/plants", data=FIG)
    site.post("/plants/1/notes", data=HARVEST)
    site.post("/plants/1/watched", data={"active": "no"})
    assert "What was seen on them is kept." in site.get("/plants").text
    assert "Last harvest: 7 fruit" in site.get("/plants/1").text
    site.post("/plants/1/watched", data={"active": "yes"})
    assert "What was seen on them is kept." not in site.get("/plants").text


def test_who_may_only_look_sees_no_form_and_changes_nothing(tmp_path: Path) -> None:
    """Each form is refused, and none is shown."""
    site = ApiSite(tmp_path)
    with site.client() as client:
        client.post("/plants", data=FIG, headers=SAME_ORIGIN)
        client.post("/plants/1/notes", data=HARVEST, headers=SAME_ORIGIN)
    token = site.add_person("neighbour", Role.VIEW)
    with site.client("10.0.0.9", Authorization=f"Bearer {token}") as client:
        text = client.get("/plants").text + client.get("/plants/1").text
        assert ("Last harvest" in text, 'action="/plants' in text) == (True, False)
        forms = {"/plants": FIG, "/plants/1/notes": HARVEST, "/plants/1/withdraw": {"note": "1"}}
        forms["/plants/1/watched"] = {"active": "no"}
        assert [client.post(path, data=data).status_code for path, data in forms.items()] == [403] * 4


def test_a_foreign_page_changes_nothing(site: TestClient) -> None:
    """403 for each form."""
    site.post("/plants", data=FIG)
    foreign = {"sec-fetch-site": "cross-site"}
    assert site.post("/plants", data={**FIG, "name": "L2"}, headers=foreign).status_code == 403
    assert site.post("/plants/1/notes", data=HARVEST, headers=foreign).status_code == 403
    assert site.post("/plants/1/withdraw", data={"note": "1"}, headers=foreign).status_code == 403


def test_every_page_leads_to_the_plants_and_an_unknown_one_is_404(site: TestClient) -> None:
    """An empty list says so."""
    assert '<a href="/plants">plants</a>' in site.get("/").text
    assert "No plant is kept yet." in site.get("/plants").text
    assert site.get("/plants/9").status_code == 404
    beyond = site.get(f"/plants/{2**70}")
    assert (beyond.status_code, "is not known; the list of plants" in beyond.text) == (404, True)


def test_details_are_changed_and_what_stood_is_kept(site: TestClient) -> None:
    """The form comes filled in; another name and protection stand from now on, and who wrote them is said."""
    site.post("/plants", data=FIG)
    form = site.get("/plants/1").text.partition('action="/plants/1/details"')[2]
    assert 'name="name" required maxlength="40" autocomplete="off" value="L1 &lt;b&gt;"' in form
    assert "<option selected>larch</option>" in form
    assert "<option selected>tunnel with heat</option>" in form
    moved = {**FIG, "name": "L1", "enclosure": "", "protection": "wrapped", "stands": "container"}
    assert site.post("/plants/1/details", data=moved).status_code == 303
    text = site.get("/plants/1").text
    assert "South end, in a container, wrapped; planted 2022." in text
    assert "They stand as local wrote them, today" in text
    answer = site.post("/plants/1/details", data={**moved, "stands": "air"})
    assert (answer.status_code, "stands: &#39;air&#39; is neither" in answer.text) == (422, True)
    assert "in a container, wrapped" in site.get("/plants/1").text


def test_changing_details_wakes_no_plant_that_is_no_longer_watched(site: TestClient) -> None:
    """Whether it is watched has a button of its own."""
    site.post("/plants", data=FIG)
    site.post("/plants/1/watched", data={"active": "no"})
    site.post("/plants/1/details", data={**FIG, "place": "north end"})
    assert "What was seen on them is kept." in site.get("/plants").text


def test_a_button_tapped_twice_keeps_one_note(site: TestClient) -> None:
    """Two harvests would be twice the yield. One of another weight is another; by call each one counts."""
    site.post("/plants", data=FIG)
    harvest = {"kind": "harvest", "day": "2026-02-20", "count": "7", "grams": "310", "crop": "main"}
    for grams in ("310", "310", "311"):
        assert site.post("/plants/1/notes", data={**harvest, "grams": grams}).status_code == 303
    mended = {**harvest, "grams": "312", "replaces": "2"}
    for _ in range(2):
        assert site.post("/plants/1/notes", data=mended).status_code == 303, "the second found nothing to correct"
    assert site.post("/plants/1/notes", data={**mended, "grams": "313"}).status_code == 422, "it is corrected already"
    picture = {"photograph": ("fig.png", written(Image.new("RGB", (8, 8)), "PNG"), "image/png")}
    for _ in range(2):
        site.post("/plants/1/notes", data={"kind": "remark", "day": "2026-02-20"}, files=picture)

    def kept() -> list[float | None]:
        return [each.get("grams") for each in site.get("/api/season/plants/1").json()["notes"]]

    assert kept() == [None, 312.0, 310.0]
    site.post("/api/season/plants/1/notes", json={**harvest, "count": 7, "grams": 310.0})
    assert kept() == [310.0, None, 312.0, 310.0]


def test_a_mistaken_note_is_corrected_and_stays_on_record(site: TestClient) -> None:
    """The correction comes filled in and counts; the mistake is told below, with who and when."""
    site.post("/plants", data=FIG)
    site.post("/plants/1/notes", data=HARVEST)
    form = site.get("/plants/1").text.partition('name="replaces" value="1"')[2]
    assert ('name="count"' in form, 'value="7"' in form, 'value="310.5"' in form) == (True, True, True)
    assert site.post("/plants/1/notes", data={**HARVEST, "count": "9", "replaces": "1"}).status_code == 303
    text = site.get("/plants/1").text
    assert "Last harvest: 9 fruit, 310.5 g, yesterday." in text
    assert "7 fruit, 310.5 g, main crop, yesterday, by local <small>corrected by local, today</small>" in text
    site.post("/plants/1/withdraw", data={"note": "2"})
    assert "<small>taken back by local, today</small>" in site.get("/plants/1").text
    late = site.post("/plants/1/notes", data={**HARVEST, "replaces": "1"})
    assert (late.status_code, "does not stand" in late.text) == (422, True)


def test_a_file_goes_out_and_comes_in_on_the_page(site: TestClient, tmp_path: Path) -> None:
    """What is here already adds nothing; on another site it adds all of it."""
    site.post("/plants", data=FIG)
    site.post("/plants/1/notes", data=HARVEST)
    file = site.get("/api/season/plants.csv").content
    assert "All of it is here already." in site.post("/plants/csv", files={"file": ("p.csv", file)}).text
    with open_site(tmp_path / "other") as other:
        other.headers.update(SAME_ORIGIN)
        answer = other.post("/plants/csv", files={"file": ("p.csv", file)})
        assert "New or changed plants: 1; new notes: 1." in answer.text
        assert other.get("/api/season/plants.csv").content.splitlines()[0] == file.splitlines()[0]
        assert "7 fruit, 310.5 g" in other.get("/plants").text


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        (b"310.5", b"heavy", "line 3, column grams: &#39;heavy&#39; is no number of 0 or more; write digits"),
        (b"2026-02-28", b"2027-02-28", "line 3, column day: &#39;2027-02-28&#39; is outside 1950-01-01 to 2026-03-01"),
        (b"main", b"m\xffin", "line 3: byte 2"),
        (b"kind", b"sort", "line 1: column &#39;kind&#39; is missing; write the columns"),
    ],
)
def test_a_broken_file_says_where_and_nothing_of_it_is_kept(
    site: TestClient, tmp_path: Path, old: bytes, new: bytes, said: str
) -> None:
    """Line, column, value, bound and remedy; the plant in the line above is not kept either."""
    site.post("/plants", data={**FIG, "name": "L1"})
    site.post("/plants/1/notes", data=HARVEST)
    file = site.get("/api/season/plants.csv").content.replace(old, new)
    with open_site(tmp_path / "other") as other:
        other.headers.update(SAME_ORIGIN)
        answer = other.post("/plants/csv", files={"file": ("p.csv", file)})
        assert (answer.status_code, said in answer.text) == (422, True), answer.text
        assert "No plant is kept yet." in other.get("/plants").text


def test_a_file_may_be_larger_than_a_form_and_not_endless(site: TestClient) -> None:
    """200 kB of a garden's years are read; more than a mebibyte is refused before it is."""
    assert "no UTF-8" in site.post("/plants/csv", files={"file": ("p.csv", b"\xff" * 200_000)}).text
    assert site.post("/plants/csv", files={"file": ("p.csv", b" " * 1_100_000)}).status_code == 413
    assert "choose one that this page gave" in site.post("/plants/csv", files={"file": ("p.csv", b"")}).text


def test_the_forms_that_came_later_need_an_operator_as_well(tmp_path: Path) -> None:
    """Details, corrections and files: neither shown nor taken."""
    site = ApiSite(tmp_path)
    with site.client() as client:
        client.post("/plants", data=FIG, headers=SAME_ORIGIN)
    token = site.add_person("neighbour", Role.VIEW)
    with site.client("10.0.0.9", Authorization=f"Bearer {token}") as client:
        assert client.post("/plants/1/details", data=FIG).status_code == 403
        assert client.post("/plants/csv", files={"file": ("p.csv", b"plant")}).status_code == 403
        assert "Take a file in" not in client.get("/plants").text
        assert "Change its details" not in client.get("/plants/1").text
