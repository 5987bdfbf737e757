"""Plants as a file: out and in again, whole or not at all."""

import csv
import io
from collections.abc import Iterator
from contextlib import closing
from datetime import date
from pathlib import Path
from sqlite3 import Connection

import pytest

from api import people
from api.season.bbch import Scale
from api.season.plant_notes import Kind, Note, notes, put_note
from api.season.plants import Plant, PlantError, Protection, plants, put_plant
from api.season.plants_csv import Taken, Within, take_csv, to_csv
from controller.store.connection import open_writer

WITHIN = Within(("larch",), date(2026, 3, 1))
HEAD = (
    "plant,kind,cultivar,place,enclosure,protection,stands,planted,scale,active,"
    "day,code,share_pct,count,grams,crop,words"
)
PLANT = "L1,plant,brown fig,south end,larch,tunnel with heat,ground,2022,fig,yes,,,,,,,"
HARVEST = "L1,harvest,,,,,,,,,2025-08-19,,,7,310,main,"


@pytest.fixture
def season(tmp_path: Path) -> Iterator[Connection]:
    with closing(open_writer(tmp_path / "season.db", people.MIGRATIONS)) as connection:
        yield connection


def take(season: Connection, *lines: str) -> Taken:
    return take_csv(season, "\r\n".join((HEAD, *lines)) + "\r\n", WITHIN, "keeper", 1000)


def test_what_goes_out_comes_in_the_same_and_a_second_time_adds_nothing(season: Connection, tmp_path: Path) -> None:
    """Every kind of note, an empty place, quotes, commas and letters beyond ASCII survive."""
    fig = Plant('fig "a", b', "figue d'été", "", None, Protection.OPEN, "container", None, Scale.FIG, active=False)
    seen = [
        Note(Kind.STAGE, "2026-02-27", code=0, words='cold, "still"'),
        Note(Kind.DAMAGE, "2026-02-20", share_pct=12.5),
        Note(Kind.HARVEST, "2025-08-19", count=7, crop="first"),
        Note(Kind.NEVER, "2025-10-28", crop="main"),
        Note(Kind.REMARK, "2026-02-14", words='pruned, to "three" buds'),
    ]
    number = put_plant(season, fig, "keeper", 1000)
    for each in seen:
        put_note(season, number, each, "keeper", 1000)
    text = to_csv(season)
    assert all(len(row) == 19 for row in csv.reader(io.StringIO(text)))
    with closing(open_writer(tmp_path / "other.db", people.MIGRATIONS)) as other:
        assert take_csv(other, text, WITHIN, "neighbour", 2000) == Taken(1, 5)
        assert take_csv(other, text, WITHIN, "neighbour", 3000) == Taken(0, 0)
        assert [(each.what, each.who, each.at_ms) for each in plants(other)] == [(fig, "neighbour", 2000)]
        assert {each.what for each in notes(other, 1)[1]} == set(seen)


def test_two_alike_harvests_of_a_day_are_two(season: Connection) -> None:
    """A third in the file adds one."""
    assert take(season, PLANT, HARVEST, HARVEST) == Taken(1, 2)
    assert take(season, PLANT, HARVEST, HARVEST, HARVEST) == Taken(0, 1)


def test_a_plant_row_that_differs_is_what_is_true_now(season: Connection) -> None:
    """The same number, the new words."""
    take(season, PLANT)
    assert take(season, PLANT.replace("south end", "north end")) == Taken(1, 0)
    assert [(each.number, each.what.place) for each in plants(season)] == [(1, "north end")]


def test_a_plant_of_an_enclosure_that_is_gone_comes_in_again(season: Connection) -> None:
    """What went out is no fault in what is here already; a new plant cannot stand there."""
    take(season, PLANT)
    gone = Within(("elder",), WITHIN.today)
    assert take_csv(season, to_csv(season), gone, "keeper", 2000) == Taken(0, 0)
    with pytest.raises(
        PlantError, match="line 2, column enclosure: 'larch' is not in settings; write one of elder, or"
    ):
        take_csv(season, to_csv(season).replace("L1", "L2"), gone, "keeper", 2000)


def test_a_scale_that_has_no_word_for_what_was_seen_is_refused(season: Connection) -> None:
    """Of a ripe fig whose scale a file changed, no page of plants could be shown any more."""
    take(season, PLANT, "L1,stage,,,,,,,,,2025-08-19,87,,,,,")
    with pytest.raises(
        PlantError, match="line 2, column scale: 'general' has no stage 87 of 2025-08-19; withdraw that"
    ):
        take(season, PLANT.replace(",fig,", ",general,"))
    assert plants(season)[0].what.scale is Scale.FIG


def test_a_note_costs_no_look_at_every_plant(tmp_path: Path) -> None:
    """A file holds the season's one writer, and with it whoever asks for a page: of 300 plants, for a minute."""

    def steps(plants_there: int) -> int:
        with closing(open_writer(tmp_path / f"{plants_there}.db", people.MIGRATIONS)) as season:
            take(season, *(PLANT.replace("L1", f"P{at}") for at in range(plants_there)))
            counted: list[int] = []
            season.set_progress_handler(lambda: counted.append(1), 10)
            take(season, *[HARVEST.replace("L1", "P1")] * 200)
            return len(counted)

    assert steps(100) < 2 * steps(2)


@pytest.mark.parametrize(
    ("line", "said"),
    [
        (HARVEST.replace("310", "heavy"), r"line 3, column grams: 'heavy' is no number of 0 or more; write digits"),
        (HARVEST.replace("2025-08-19", "19.8.2025"), "line 3, column day: '19.8.2025' is no day; write it like"),
        (HARVEST.replace("2025", "2027"), "line 3, column day: '2027-08-19' is outside 1950-01-01 to 2026-03-01"),
        (HARVEST.replace("L1", "L9"), "line 3, column plant: 'L9' is neither here nor in the file; add a row"),
        (
            HARVEST.replace("harvest", "picked"),
            "line 3, column kind: 'picked' is none of stage, damage, harvest, never, remark",
        ),
        (HARVEST.replace(",,7,", ",5,7,"), "line 3, column share_pct: '5.0' says nothing of a harvest note"),
        (HARVEST.replace("7,310", "-1,310"), "line 3, column count: '-1' is no whole number"),
        (HARVEST.replace("7,310", "7,1000001"), r"line 3, column grams: '1000001' is outside 0 to 1000000"),
        (PLANT.replace("L1", "L2").replace("2022", "2027"), "line 3, column planted: '2027' is outside 1800 to 2026"),
        (PLANT.replace("L1", "").replace("larch", "oak"), "line 3, column plant: '' is empty"),
        (
            PLANT.replace("south", "north"),
            "line 3, column plant: 'L1' is there already, in line 2; give each plant a name",
        ),
        (HARVEST + ",", "line 3: has 18 fields, the head 17; quote a field that holds a comma"),
        ('L1,"harvest', "line 3: unexpected end of data; quote fields"),
    ],
)
def test_one_bad_line_keeps_the_whole_file_out(season: Connection, line: str, said: str) -> None:
    """Line, column, value, bound and remedy; the good line before it is not kept either."""
    with pytest.raises(PlantError, match=said):
        take(season, PLANT, line)
    assert plants(season) == ()


@pytest.mark.parametrize(
    ("head", "said"),
    [
        (HEAD.replace(",day", ""), "line 1: column 'day' is missing"),
        (HEAD + ",weather", "line 1: column 'weather' is not known"),
        (HEAD + ",day", "stands twice"),
        ("", "line 1: column 'plant' is missing"),
    ],
)
def test_a_head_that_is_another_is_refused(season: Connection, head: str, said: str) -> None:
    """Naming the columns to write."""
    with pytest.raises(PlantError, match=said):
        take_csv(season, head + "\r\n", WITHIN, "keeper", 1000)
