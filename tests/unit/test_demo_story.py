"""What the demo's three weeks tell: a day too warm under film that nobody opens, and a trip that a person resets."""

import json
import multiprocessing
from collections import Counter
from contextlib import closing
from pathlib import Path
from queue import SimpleQueue

import pytest

from controller.demo import history, live, scenario
from controller.demo.history import Chunk
from controller.errors import SoilwardError
from controller.probe import Quantity
from controller.store.connection import open_reader
from controller.store.journal import Entry
from controller.store.readings import StoredReading

pytestmark = pytest.mark.xdist_group("southwall")

START_MS = 1_793_185_200_000
"""2026-10-28T07:00Z: a demo begins at any hour, and its story keeps to days and hours UTC."""


def told(folder: Path, name: str, days: float) -> list[Chunk]:
    """Return the first `days` of one enclosure's history, as the demo computes them."""
    file, queue = folder / "soilward.toml", SimpleQueue[Chunk]()
    file.write_text(scenario.settings_text(1883, 8460))
    history._compute(str(file), name, START_MS, days, queue)
    return [queue.get() for _ in range(queue.qsize())]


def entries(chunks: list[Chunk]) -> list[Entry]:
    """Return what was journalled, in order."""
    return [entry for chunk in chunks for entry in chunk.entries]


def on_day(entry: Entry) -> int:
    """Return the day of the history, counted from its first midnight's day as 0."""
    return entry.at_ms // scenario.DAY_MS - START_MS // scenario.DAY_MS


def test_the_tunnel_that_nobody_opens_gets_too_warm_and_cools_by_itself(tmp_path: Path) -> None:
    found = [(each.kind, on_day(each)) for each in entries(told(tmp_path, "larch", 8.0))]
    kinds = Counter(kind for kind, _ in found)
    assert kinds["held-off"] > 0
    assert kinds["free-again"] == kinds["held-off"]
    assert {day for kind, day in found if kind in ("held-off", "alert")} == {scenario.SHUT_DAY, scenario.SHUT_DAY + 1}
    assert not kinds["trip"]


@pytest.fixture(scope="module")
def southwall(tmp_path_factory: pytest.TempPathFactory) -> list[Chunk]:
    """The glasshouse's first fifteen days."""
    return told(tmp_path_factory.mktemp("southwall"), "southwall", 15.0)


def test_the_covered_intake_trips_once_and_the_keeper_resets_it_at_breakfast(southwall: list[Chunk]) -> None:
    trips = [each for each in entries(southwall) if each.kind == "trip"]
    answers = [each for each in entries(southwall) if each.kind == "answer"]
    assert [on_day(each) for each in (*trips, *answers)] == [scenario.COVERED_NIGHT, scenario.COVERED_NIGHT]
    assert trips[0].at_ms < answers[0].at_ms
    assert (answers[0].who, answers[0].body["asked"]) == ("keeper", "reset")
    assert southwall[-1].standing.trips == ()


def test_the_cold_snap_brings_the_coldest_night_and_frost(southwall: list[Chunk]) -> None:
    coldest: dict[int, float] = {}
    for chunk in southwall:
        for row in chunk.rows:
            reading = StoredReading(*row)
            if reading.quantity == Quantity.OUTSIDE:
                day = (reading.taken_ms - START_MS) // scenario.DAY_MS
                coldest[day] = min(coldest.get(day, 99.0), reading.value)
    first, last, _ = scenario.COLD_SNAP
    night = min(coldest, key=lambda day: coldest[day])
    assert first - 1 <= night <= last
    assert coldest[night] < 0.0


def settings_in(folder: Path) -> Path:
    """Write the demo's settings and the keys that they name."""
    live._write_settings(folder / "soilward.toml", 8460)
    return folder / "soilward.toml"


def test_no_days_of_history_are_none_and_not_an_endless_wait(tmp_path: Path) -> None:
    history.compute(settings_in(tmp_path), tmp_path, START_MS, 0.0, lambda done: None)
    with closing(open_reader(tmp_path / "readings.db")) as connection:
        assert connection.execute("SELECT count(*) FROM probe").fetchone() == (0,)
    assert set(json.loads((tmp_path / "plants.json").read_text())["plants"]) == {"larch", "elder", "southwall"}


def test_a_process_of_the_history_that_is_killed_ends_it_with_a_word(tmp_path: Path) -> None:
    def kill_one(done: float) -> None:
        if len(children := multiprocessing.active_children()) == 3:
            children[0].kill()

    with pytest.raises(SoilwardError, match="ended from outside, perhaps for want of memory"):
        history.compute(settings_in(tmp_path), tmp_path, START_MS, 400.0, kill_one)
    assert not (tmp_path / "plants.json").exists()
