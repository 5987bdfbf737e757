"""This year against last: each season counted to the same day, and the same plants in two of them."""

from collections.abc import Iterator
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient

from api.season.worth import Measure, Tree
from api.season.worth_words import changed_sentence
from api.season.years import Changed, Crop, Froze, Year, changes, crop_of
from controller.clock import ManualClock, Moment
from controller.season_settings import Season
from tests.api_site import ApiSite

HTML = {"accept": "text/html"}
SAME_ORIGIN = {"sec-fetch-site": "same-origin"}
FIG = {
    "cultivar": "brown fig",
    "protection": "open",
    "stands": "ground",
    "scale": "fig",
}


def tree(name: str, day: int | None, grams: float | None = None, shared: str | None = None, year: int = 2026) -> Tree:
    """Return one tree's season: its first fruit so many days after New Year."""
    ripe = None if day is None else date(year, 1, 1) + timedelta(days=day)
    return Tree(name, "open", shared, date(year, 11, 1), ripe, ripe, grams)


def season(year: int, trees: list[Tree]) -> Year:
    """Return a season of which only its trees matter."""
    first, nothing = date(year, 1, 1), Froze(False)
    return Year(year, first, first, nothing, nothing, None, None, {}, {}, 0.0, 0.0, {"main": trees})


def between(this: list[tuple[int | None, float]], other: list[tuple[int | None, float]]) -> dict[Measure, Changed]:
    """Return what changed between two seasons of plants in a row."""
    now = [tree(f"t{at}", *each) for at, each in enumerate(this)]
    then = [tree(f"t{at}", *each, year=2025) for at, each in enumerate(other)]
    return {each.measure: each for each in changes(season(2026, now), season(2025, then))}


def test_the_same_plants_are_held_against_themselves() -> None:
    """Six plants that ripened 3 to 8 days earlier: p 2/64, the least that six pairs can give; yield the same."""
    found = between([(200 - at, 500.0) for at in range(3, 9)], [(200, 500.0)] * 6)
    ripe, amount = found[Measure.FIRST_RIPE], found[Measure.YIELD]
    assert (ripe.pairs, ripe.shift.median, ripe.p, ripe.smallest_p) == (6, -5.5, 2 / 64, 2 / 64)
    assert (amount.shift.median, amount.p) == (0.0, 1.0)
    said = changed_sentence(ripe, 2025)
    assert "First ripe fruit, main crop, the same 6 plants in both: 5.5 days earlier than in 2025" in said
    assert "31 times in 1000" in said
    assert said.endswith("So the season made a difference.")
    assert "no difference from 2025" in changed_sentence(amount, 2025)


def test_five_pairs_can_show_nothing() -> None:
    """However far apart: it says so, and how many it takes."""
    said = changed_sentence(between([(100, 0.0)] * 5, [(200, 0.0)] * 5)[Measure.FIRST_RIPE], 2025)
    assert "100 days earlier than in 2025" in said
    assert "with so few give or take any amount" in said
    assert said.endswith("So nothing can be concluded: it takes at least six pairs.")


def test_plants_of_one_enclosure_are_one_pair() -> None:
    """Three that share a heater and one alone: two pairs, the mean of the three for theirs."""
    now = [tree("a", 190, 1.0, "larch"), tree("b", 192, 1.0, "larch"), tree("c", 194, 1.0, "larch"), tree("d", 210)]
    then = [tree(each, 200, 1.0, place, 2025) for each, place in (("a", "larch"), ("b", "larch"), ("c", "larch"))]
    ripe = changes(season(2026, now), season(2025, [*then, tree("d", 200, year=2025)]))[0]
    assert (ripe.pairs, ripe.plants) == (2, 4)
    assert ripe.shift.median == pytest.approx((-8.0 + 10.0) / 2)
    assert "2 pairs as plants of one enclosure count once" in changed_sentence(ripe, 2025)


def test_days_are_told_to_a_tenth() -> None:
    """The mean of three plants of one enclosure is no 8.33333 days."""
    now = [tree(each, 200 - later, 1.0, "larch") for each, later in (("a", 8), ("b", 8), ("c", 9))]
    then = [tree(each, 200, 1.0, "larch", 2025) for each in "abc"]
    assert "8.3 days earlier" in changed_sentence(changes(season(2026, now), season(2025, then))[0], 2025)


def test_a_plant_that_was_moved_or_never_ripened_makes_no_pair() -> None:
    """Another protection, a fruit that never came, a plant that is new: none of them says what the season did."""
    moved = Tree("m", "wrapped", None, date(2025, 11, 1), date(2025, 7, 1), None, 300.0)
    then = [moved, tree("n", None, year=2025)]
    assert changes(season(2026, [tree("m", 180, 300.0), tree("n", 180), tree("new", 180)]), season(2025, then)) == []


def test_days_are_counted_from_each_season_s_first() -> None:
    """1 March is day 60 of a leap year and 59 of another."""
    now, then = tree("a", 59), tree("a", 60, year=2024)
    assert changes(season(2026, [now]), season(2024, [then]))[0].shift.median == -1.0


def test_a_crop_of_all_plants_together() -> None:
    """The earliest fruit, the middle plant's half, what was weighed and of how many."""
    found = crop_of([tree("a", 10, 500.0), tree("b", 20, 700.0), tree("c", 30), tree("d", None, 0.0)])
    assert found == Crop(date(2026, 1, 11), date(2026, 1, 21), 1.2, 3)
    assert crop_of([]) == Crop(None, None, None, 0)


class Kept(ApiSite):
    """A site with four years of a station's record, the last one colder, on 1 October of that year."""

    def __init__(self, folder: Path, years: tuple[int, ...] = (2023, 2024, 2025)) -> None:
        super().__init__(folder)
        file = folder / "station.csv"
        rows = [f"{on},{low},{low + 10}\n" for year in years for on, low in self._days(year)]
        file.write_text("date,tmin_c,tmax_c\n" + "".join(rows), encoding="utf-8")
        self.settings = self.settings.model_copy(update={"season": Season(station_file=file)})
        self.clock = ManualClock(Moment(1000.0, 1_759_312_800_000))

    @staticmethod
    def _days(year: int) -> Iterator[tuple[date, float]]:
        for at in range(-92, 273):
            on, last = date(year, 1, 1) + timedelta(days=at), 95 + (year - 2023) * 5
            yield on, -2.0 if at <= last and at > -61 else 8.0 - (year == 2025)


@pytest.fixture
def kept(tmp_path: Path) -> Iterator[TestClient]:
    """Yield a client of that site, with a plant that ripened in both years."""
    with Kept(tmp_path).client() as client:
        client.headers.update(SAME_ORIGIN)
        client.post("/plants", data={**FIG, "name": "S1"})
        for day, grams in (("2024-08-20", "900"), ("2025-08-27", "1200")):
            client.post("/plants/1/notes", data={"kind": "harvest", "day": day, "grams": grams, "crop": "main"})
        client.post("/plants/1/notes", data={"kind": "stage", "day": "2025-04-02", "code": "7"})
        yield client


def years_of(client: TestClient, query: str = "") -> dict[str, Any]:
    """Return the answer."""
    answer = client.get(f"/api/season/years{query}")
    assert answer.status_code == 200, answer.text
    found: dict[str, Any] = answer.json()
    return found


def test_each_season_is_counted_to_the_same_day(kept: TestClient) -> None:
    """1 October of each; the last freezes five days later each year; the colder summer has less warmth."""
    found = years_of(kept)["years"]
    assert [(each["year"], each["through"]) for each in found[:3]] == [
        (2025, "2025-10-01"),
        (2024, "2024-09-30"),
        (2023, "2023-10-01"),
    ]
    assert [each["last_freeze"]["on"] for each in found[:2]] == ["2025-04-16", "2024-04-10"]
    assert found[0]["warmth"] < found[1]["warmth"] < found[2]["warmth"]
    assert found[0]["stages"] == {"7": "2025-04-02"}
    assert found[1]["crops"]["main"] == {"first": "2024-08-20", "half": "2024-08-20", "kilograms": 0.9, "plants": 1}


def test_a_leap_day_is_a_day_like_any_other(tmp_path: Path) -> None:
    """Of a plant that was first written of in a year without one."""
    site = Kept(tmp_path)
    with site.client() as client:
        client.headers.update(SAME_ORIGIN)
        client.post("/plants", data={**FIG, "name": "S1"})
        client.post("/plants/1/notes", data={"kind": "harvest", "day": "2024-02-29", "grams": "5", "crop": "main"})
        site.clock.set_wall(1_835_395_200_000)
        client.post("/plants/1/notes", data={"kind": "harvest", "day": "2028-02-29", "grams": "5", "crop": "main"})
        assert years_of(client)["years"][0]["through"] == "2028-02-29"
        assert years_of(client, "?year=2024")["years"][0]["crops"]["main"]["kilograms"] == 0.005
        assert client.get("/season", headers=HTML).status_code == 200


def test_what_is_picked_later_counts_in_no_year_yet(kept: TestClient) -> None:
    """A kilogram of last November is set beside none that this November will bring: on 1 October both have less."""
    kept.post("/plants/1/notes", data={"kind": "harvest", "day": "2024-11-02", "grams": "1000", "crop": "main"})
    found = years_of(kept)
    assert [each["crops"]["main"]["kilograms"] for each in found["years"][:2]] == [1.2, 0.9]
    amount = next(each for each in found["same_plants"] if each["measure"] == "yield")
    assert amount["shift"]["median"] == 300.0
    assert found["years"][1]["crops"]["main"]["half"] == "2024-11-02"


def test_a_plant_moved_since_a_season_stood_then_where_it_stood(tmp_path: Path) -> None:
    """It ripened in the open in 2024 and under larch's heat in 2025: no season did that; 2024 compares it as it was, as
    does 2023, of which it was written later, as it was first known, a slip corrected."""
    site = Kept(tmp_path)
    with site.client() as client:
        client.headers.update(SAME_ORIGIN)
        site.clock.set_wall(1_727_000_000_000)
        for name in ("moved", "left"):
            client.post("/plants", data={**FIG, "name": name, "protection": "wrapped"})
        for at in (1, 2):
            client.post(f"/plants/{at}/details", data={**FIG, "name": f"{at}"})
        site.clock.set_wall(1_759_312_800_000)
        client.post(
            "/plants/1/details", data={**FIG, "name": "south", "protection": "glasshouse", "enclosure": "larch"}
        )
        for at in (1, 2):
            for day in ("2023-08-20", "2024-08-20", "2025-08-10"):
                harvest = {"kind": "harvest", "day": day, "count": "5", "crop": "main"}
                client.post(f"/plants/{at}/notes", data=harvest)
        pairs = {each["measure"]: each["plants"] for each in years_of(client)["same_plants"]}
        assert pairs == {"first ripe fruit": 1}
        worth = {year: client.get(f"/api/season/worth?year={year}&crop=main").json() for year in (2023, 2024, 2025)}
        assert [len(each["compared"]) > 0 for each in worth.values()] == [False, False, True]
        assert [list(each["used"]) for each in worth.values()] == [[], [], ["glasshouse"]]
        assert client.get("/worth?year=2023&crop=main", headers=HTML).text.count("wrapped") == 0


def test_the_page_says_it_in_a_sentence_and_a_table(kept: TestClient) -> None:
    """Days in the season, not dates of a calendar: 2024 had a day more in February."""
    shown = kept.get("/season", headers=HTML).text
    assert "This year against last" in shown
    said = " ".join(shown.split())
    assert "Against 2024: the last freeze of spring came 5 days later, " in said
    assert "the main crop began 6 days later" in said
    assert '<td class="num">27 Aug</td><td class="num">20 Aug</td>' in said
    assert '<td class="num">1.2 <small>of 1 plant</small></td>' in said
    assert "the same 1 plant in both" in said
    assert "This year against last" in kept.get("/report", headers=HTML).text


def test_with_one_season_nothing_is_pretended(tmp_path: Path) -> None:
    """It says that there is none to set beside it."""
    with ApiSite(tmp_path).client() as client:
        assert len(years_of(client)["years"]) == 1
        shown = client.get("/season", headers=HTML).text
        assert "No earlier season is on record to set beside this one" in shown
        assert "against last" not in shown


def test_a_sum_with_too_many_days_missing_is_none(tmp_path: Path) -> None:
    """A record that begins in February knows no warmth from New Year on."""
    site = Kept(tmp_path)
    file = site.settings.season.station_file
    assert file is not None
    head, *rows = file.read_text(encoding="utf-8").splitlines(keepends=True)
    file.write_text(head + "".join(row for row in rows if not "2025-01-01" <= row < "2025-02-20"), encoding="utf-8")
    with site.client() as client:
        this, last, *_ = years_of(client)["years"]
        assert (this["warmth"], this["chill"]) == (None, None)
        assert last["warmth"] > 0.0


@pytest.mark.parametrize(("latitude", "is_known"), [(46.2, True), (68.0, False)])
def test_one_day_upside_down_and_a_sun_that_does_not_set_keep_no_page_away(
    tmp_path: Path, latitude: float, is_known: bool
) -> None:
    """A station's day whose lowest is above its highest is one day missing; far north no sum is given."""
    site = Kept(tmp_path)
    file = site.settings.season.station_file
    assert file is not None
    rows = [each.split(",") for each in file.read_text(encoding="utf-8").splitlines()[1:]]
    tenths = [
        f"USW00014734,{on.replace('-', '')},{element},{float(value) * 10:.0f},,,W,\n"
        for on, low, high in rows
        for element, value in (("TMIN", low), ("TMAX", "-30" if on == "2025-05-05" else high))
    ]
    file.write_text("".join(tenths), encoding="utf-8")
    site.settings = site.settings.model_copy(
        update={"site": site.settings.site.model_copy(update={"latitude": latitude})}
    )
    with site.client() as client:
        assert ((years_of(client)["years"][0]["warmth"] or 0.0) > 0.0) is is_known
        assert client.get("/season", headers=HTML).status_code == 200
        assert client.get("/report", headers=HTML).status_code == 200
