"""Was it worth it: trees from the notes on plants, kilowatt hours from the record, sentences on the page."""

import re
from collections.abc import Iterator
from contextlib import closing
from datetime import date

import pytest
from fastapi.testclient import TestClient

from api import people
from api.season.bbch import Scale
from api.season.plant_notes import Kind, Note, put_note
from api.season.plants import Plant, Protection, put_plant
from api.season.site_worth import season_at, season_of, tree_of
from controller.store.connection import open_writer
from controller.store.migrations import READINGS
from controller.store.runs import RunBegan, RunEnded, RunEnergy, apply
from tests.api_site import NOW_MS, ApiSite

HTML = {"accept": "text/html"}
HEATED, OPEN, WRAPPED = Protection.HEATED_TUNNEL, Protection.OPEN, Protection.WRAPPED


def plant_of(name: str, protection: Protection, enclosure: str | None = None) -> Plant:
    """Return a fig of ours."""
    return Plant(name, "brown fig", "", enclosure, protection, "ground", 2020, Scale.FIG)


def picked(day: str, count: int | None = 4, grams: float | None = 200.0, crop: str = "first") -> Note:
    """Return one harvest."""
    return Note(Kind.HARVEST, day, count=count, grams=grams, crop=crop)


@pytest.fixture
def orchard(site: ApiSite) -> ApiSite:
    """Return a site with five warmed trees, each in the open soil of its own, and five in the open, watched in 2026."""
    with closing(open_writer(site.folder / "season.db", people.MIGRATIONS)) as season:
        for number in range(5):
            warm = put_plant(season, plant_of(f"warm {number}", HEATED), "keeper", NOW_MS)
            cold = put_plant(season, plant_of(f"cold {number}", OPEN), "keeper", NOW_MS)
            put_note(season, warm, picked(f"2026-07-{10 + number:02d}"), "keeper", NOW_MS)
            put_note(season, warm, picked(f"2026-07-{20 + number:02d}", 2, 90.0), "keeper", NOW_MS)
            put_note(season, cold, picked(f"2026-08-{10 + number:02d}", 3, 120.0), "keeper", NOW_MS)
    return site


@pytest.fixture
def opened(orchard: ApiSite) -> Iterator[TestClient]:
    """Yield a client of it, in the autumn of 2026."""
    orchard.clock.set_wall(NOW_MS + 240 * 86_400_000)
    with orchard.client() as client:
        yield client


def test_trees_that_ripen_earlier_are_said_to_with_the_exact_chance(opened: TestClient) -> None:
    """Five against five, all earlier: 31 days, p 0.0079, the smallest there is; and more fruit."""
    told = opened.get("/api/season/worth").json()
    assert (told["year"], told["crop"], told["trees"]) == (2026, "first", 10)
    first = next(each for each in told["compared"] if each["measure"] == "first ripe fruit")
    assert first["effect"] == -31.0
    assert first["p"] == pytest.approx(2 / 252)
    assert first["smallest_p"] == pytest.approx(2 / 252)
    grams = next(each for each in told["compared"] if each["measure"] == "yield")
    assert grams["effect"] == pytest.approx(170.0)
    shown = opened.get("/worth", headers=HTML).text
    assert "31 days" in shown
    assert "<small>5 plants</small>" in shown
    assert "10 Jul</td>" in shown


def test_what_it_comes_to_is_said_first_and_each_comparison_is_a_row(opened: TestClient) -> None:
    """More than chance parted them: so says the verdict; beside each difference how often chance would do it."""
    shown = " ".join(opened.get("/worth", headers=HTML).text.replace("\N{NO-BREAK SPACE}", " ").split())
    assert "More than chance: first ripe fruit 31 days earlier under" in shown
    row = re.search(r"<caption><b>First ripe fruit</b></caption>.*?<tbody>\s*<tr>(.*?)</tr>", shown)
    assert row is not None
    assert "5 trees against 5 trees" in row[1]
    assert "31 days earlier <small>from" in row[1]
    assert "more than chance <small>by chance 0.8 %, rarest 0.8 %</small>" in row[1]


@pytest.mark.parametrize(("days", "said"), [(0, "2 Jul, 1 never, 1 not yet"), (300, "2 Jul, 1 never, 1 none noted")])
def test_no_crop_is_called_never_before_somebody_says_so(site: ApiSite, days: int, said: str) -> None:
    """While the season is on, a plant without fruit has none yet; afterwards none was noted."""
    with closing(open_writer(site.folder / "season.db", people.MIGRATIONS)) as season:
        notes = (picked("2026-07-02"), Note(Kind.NEVER, "2026-07-03", crop="first"), Note(Kind.STAGE, "2026-03-01", 9))
        for name, note in zip("abc", notes, strict=True):
            put_note(season, put_plant(season, plant_of(name, OPEN), "keeper", NOW_MS), note, "keeper", NOW_MS)
    site.clock.set_wall(NOW_MS + (130 + days) * 86_400_000)
    with site.client() as client:
        assert f"<td>{said}</td>" in client.get("/worth?year=2026", headers=HTML).text


def test_another_crop_and_another_year_are_their_own(opened: TestClient) -> None:
    """Nothing is noted of the main crop, nor of 2025: both say so."""
    assert opened.get("/api/season/worth", params={"crop": "main"}).json()["compared"][0]["p"] is None
    assert opened.get("/api/season/worth", params={"year": 2025}).json()["trees"] == 0
    assert "No plant has a note of this season yet." in opened.get("/worth?year=2025", headers=HTML).text
    assert opened.get("/api/season/worth", params={"crop": "third"}).status_code == 422


def heat_larch(orchard: ApiSite) -> None:
    """Let larch have used 2 kWh in its season, which is over by now."""
    with closing(open_writer(orchard.folder / "readings.db", READINGS)) as record:
        for event in (RunBegan("larch", NOW_MS), RunEnergy("larch", 7.2e6), RunEnded("larch", NOW_MS + 60_000, "x")):
            apply(record, event)
    orchard.clock.set_wall(NOW_MS + 240 * 86_400_000)


def test_an_enclosure_counts_once_and_its_electricity_is_counted(orchard: ApiSite) -> None:
    """Two trees that share larch are one; its season's kilowatt hours are those of its runs."""
    with closing(open_writer(orchard.folder / "season.db", people.MIGRATIONS)) as season:
        for name in ("one", "two"):
            number = put_plant(season, plant_of(name, Protection.TUNNEL, "larch"), "keeper", NOW_MS)
            put_note(season, number, picked("2026-07-25"), "keeper", NOW_MS)
    heat_larch(orchard)
    with orchard.client() as client:
        told = client.get("/api/season/worth").json()
        assert told["used"] == {"tunnel without heat": {"kwh": 2.0, "cost": pytest.approx(0.6)}}
        ripe = [each for each in told["compared"] if each["measure"] == "first ripe fruit"]
        shared = [each["other"] for each in ripe if each["other"]["protection"] == "tunnel without heat"]
        assert {(each["units"], each["trees"], each["shared"]) for each in shared} == {(1, 2, True)}
        assert "each enclosure counts once" in client.get("/worth", headers=HTML).text


def test_an_enclosure_with_two_protections_shares_its_electricity_among_its_plants(orchard: ApiSite) -> None:
    """2 kWh for three in a tunnel and one wrapped in it: 1.5 and 0.5, and the page says how; each had 2 before."""
    with closing(open_writer(orchard.folder / "season.db", people.MIGRATIONS)) as season:
        for name, kept in zip("abcd", (*[Protection.TUNNEL] * 3, WRAPPED), strict=True):
            number = put_plant(season, plant_of(name, kept, "larch"), "keeper", NOW_MS)
            put_note(season, number, picked("2026-07-25"), "keeper", NOW_MS)
    heat_larch(orchard)
    with orchard.client() as client:
        told = client.get("/api/season/worth").json()
        assert {name: each["kwh"] for name, each in told["used"].items()} == {
            "tunnel without heat": 1.5,
            "wrapped": 0.5,
        }
        said = "its electricity is shared out among its plants"
        assert said in " ".join(told["cautions"])
        assert said in client.get("/worth", headers=HTML).text


def test_a_season_s_heat_is_set_against_both_its_crops(orchard: ApiSite) -> None:
    """2 kWh brought 200 g on old wood and 800 on new: they are 2 kWh a kilogram on the page of either."""
    with closing(open_writer(orchard.folder / "season.db", people.MIGRATIONS)) as season:
        number = put_plant(season, plant_of("one", Protection.TUNNEL, "larch"), "keeper", NOW_MS)
        put_note(season, number, picked("2026-07-25"), "keeper", NOW_MS)
        put_note(season, number, picked("2026-09-25", 9, 800.0, "main"), "keeper", NOW_MS)
    heat_larch(orchard)
    with orchard.client() as client:
        for crop in ("first", "main"):
            shown = client.get(f"/worth?crop={crop}", headers=HTML).text.replace("\N{NO-BREAK SPACE}", " ")
            assert "2 kWh (0.60 EUR) for 1 kg of both crops: 2 kWh (0.60 EUR) for each." in shown


def test_of_a_damaged_record_no_price_is_told(orchard: ApiSite) -> None:
    """Its kilowatt hours are not none: the page and the call name the file and what to do."""
    with closing(open_writer(orchard.folder / "season.db", people.MIGRATIONS)) as season:
        number = put_plant(season, plant_of("one", Protection.TUNNEL, "larch"), "keeper", NOW_MS)
        put_note(season, number, picked("2026-07-25"), "keeper", NOW_MS)
    with closing(open_writer(orchard.folder / "readings.db", READINGS)) as record:
        apply(record, RunBegan("larch", NOW_MS))
    record_file = orchard.folder / "readings.db"
    with record_file.open("r+b") as raw:
        raw.seek(4096)
        raw.write(b"\xa5" * (record_file.stat().st_size - 4096))
    orchard.clock.set_wall(NOW_MS + 240 * 86_400_000)
    with orchard.client() as client:
        for path in ("/worth?crop=first", "/api/season/worth"):
            answer = client.get(path, headers=HTML)
            assert (answer.status_code, "eadings.db is damaged" in answer.text) == (503, True)


def test_what_a_plants_notes_say() -> None:
    """First and half ripe by count, weight in all, the worst damage, never, and how long it was watched; a harvest of
    nothing is no fruit."""
    plant = plant_of("one", OPEN)
    seen = [picked("2026-07-20", 1, 50.0), picked("2026-07-10", 2, None), picked("2026-08-01", 4, 100.0)]
    tree = tree_of(plant, [*seen, Note(Kind.DAMAGE, "2026-03-01", share_pct=40.0)], "first")
    assert (tree.first_ripe, tree.median_ripe) == (date(2026, 7, 10), date(2026, 8, 1))
    assert (tree.grams, tree.damage, tree.watched_to) == (150.0, 0.4, date(2026, 8, 1))
    in_vain = [picked("2026-06-30", 0, None), picked("2026-07-05", None, 0.0), picked("2026-07-10", 2, 80.0)]
    assert tree_of(plant, in_vain, "first").first_ripe == date(2026, 7, 10)
    assert tree_of(plant, in_vain[:1], "first").first_ripe is None
    never = tree_of(plant, [Note(Kind.NEVER, "2026-10-30", crop="main")], "main")
    assert (never.first_ripe, never.grams, never.watched_to) == (None, 0.0, date(2026, 10, 30))


@pytest.mark.parametrize(
    ("on", "latitude", "year"),
    [(date(2026, 3, 1), 46.0, 2026), (date(2026, 12, 31), 46.0, 2026), (date(2026, 3, 1), -35.0, 2025),
     (date(2026, 7, 1), -35.0, 2026), (date(2028, 2, 29), 46.0, 2028)],
)  # fmt: skip
def test_a_season_is_a_calendar_year_in_the_north_and_july_to_june_in_the_south(
    on: date, latitude: float, year: int
) -> None:
    """Every day lies in exactly one."""
    season = season_at(on, latitude)
    assert season.year == year
    assert season.first <= on <= season.last
    assert season_of(year, latitude) == season
