"""`soilward simulate` through weather: figures, a table, a drawing, and what it refuses."""

import math
import re
import tomllib
from itertools import pairwise
from pathlib import Path
from xml.etree import ElementTree

import pytest

from controller import cli
from controller.clock import Moment
from controller.load_settings import check
from controller.plan import plan_for
from controller.plant.course import Course, Watcher, summary_lines
from controller.plant.draw import drawing
from controller.plant.simulate import Run, Trace
from controller.plant.weather_file import COLUMNS, TIME
from controller.settings import Site

SETTINGS = """
[site]
name = "Tarn Hollow"
time_zone = "Europe/Zurich"
latitude = 46.2
longitude = 8.4
price_per_kwh = 0.5
[[enclosure]]
name = "larch"
title = "Larch & fir"
heater = { kind = "soil-cable", rated_w = 450, depth_m = 0.14 }
probe = [{ name = "soil", quantity = "soil", depth_m = 0.1 }, { name = "air", quantity = "air", height_m = 0.2 }]
schedule = [{ from = "01-01", set_point = 16 }]
"""
SITE = Site(name="Tarn Hollow", time_zone="UTC", latitude=46.2, longitude=8.4, price_per_kwh=0.5)


@pytest.fixture
def settings(tmp_path: Path) -> str:
    """Return a settings file."""
    file = tmp_path / "soilward.toml"
    file.write_text(SETTINGS, encoding="utf-8")
    return str(file)


class Hot:
    """A plant on fire."""

    energy_j = 0.0

    def advance(self, seconds: float, heater_on: bool) -> None:
        """Stay as it is."""

    def probes(self) -> dict[str, float]:
        """Return 70 Cel everywhere."""
        return {"soil": 70.0, "air": 70.0}


def hours_of_2013(folder: Path, hours: int) -> str:
    """Write a file of cold hours, years ago, and return its path."""
    file = folder / "cold.csv"
    rows = [f"2013-02-{1 + hour // 24:02d}T{hour % 24:02d}:00:00Z,2" for hour in range(hours)]
    file.write_text("\n".join(["time,outside_c", *rows]), encoding="utf-8")
    return str(file)


def test_the_summary_counts_what_the_trace_holds() -> None:
    """One hour of half-hour samples: 0.5 K under is not too cold, a little more is; two closings; 7.2 MJ are 2 kWh."""
    trace = Trace(
        [1800.0, 3600.0, 5400.0, 7200.0],
        [16.0, 16.0, 16.0, math.nan],
        [15.5, 15.4, 17.0, 3.0],
        [9.0] * 4,
        [1.0] * 4,
        [True, False, True, True],
    )
    lines = list(summary_lines(Course(trace, [2.0] * 4, 1_773_619_200_000, 1800.0, 7.2e6), SITE))
    assert "2.0 kWh" in lines[0]
    assert "1.00 EUR" in lines[0]
    assert lines[1].startswith("too cold: 0.5 h")
    assert lines[2] == "cycles: 2, 24.0 a day: contacts last 46 seasons of 90 days"
    assert lines[3] == "coldest soil: 3.0 Cel, 2026-03-16 02:00"


def test_a_latched_trip_is_said_first_and_in_the_drawing() -> None:
    """Cold soil after a lock would look like a weak heater otherwise."""
    settings = check(tomllib.loads(SETTINGS), Path("soilward.toml"))
    watcher = Watcher(1.0, SITE.zone, lambda day, days: None)
    run = Run(plan_for(settings, settings.enclosure[0]), Hot(), Moment(0.0, 1_773_619_200_000))
    for ticked in run.many(600.0):
        watcher.hear(ticked)
    trace = Trace([600.0], [16.0], [70.0], [70.0], [0.0], [False])
    course = Course(trace, [2.0], 1_773_619_200_000, 600.0, 0.0, watcher.locked)
    first = next(iter(summary_lines(course, SITE)))
    assert re.match("no heat after 2026-03-16 00:0[0-9]: .*70", first)
    assert first[:40] in drawing(course, SITE, "Larch")


def test_without_a_drawing_it_prints_a_table_of_days(settings: str, capsys: pytest.CaptureFixture[str]) -> None:
    """A head, a line for each local day, the sentences; progress goes to standard error."""
    assert cli.main(["simulate", settings, "--days", "1", "--weather", "3", "--start", "2026-03-16"]) == 0
    out, progress = capsys.readouterr()
    lines = out.splitlines()
    assert lines[0].split()[:2] == ["day", "outside"]
    assert [line.split()[0] for line in lines[1:]] == ["2026-03-16", "energy:", "too", "cycles:", "coldest"]
    assert progress.splitlines() == ["day 1 of 1"]


def test_the_drawing_shows_each_series_and_every_closing(settings: str, tmp_path: Path) -> None:
    """Well-formed SVG with four lines and as many blocks of heat as the words count cycles."""
    file = tmp_path / "larch.svg"
    assert cli.main(["simulate", settings, "--days", "1", "--plot", str(file), "--enclosure", "larch"]) == 0
    drawn = file.read_text(encoding="utf-8")
    root = ElementTree.fromstring(drawn)
    classes = [each.get("class") for each in root.iter("{http://www.w3.org/2000/svg}polyline")]
    assert {"line soil", "line air", "line outside", "line asked"} == set(classes)
    cycles = re.search(r"cycles: (\d+)", drawn)
    assert cycles is not None
    assert drawn.count('<rect class="heat"') == int(cycles[1]) > 0


def test_the_help_names_every_column_that_a_file_of_weather_may_have(capsys: pytest.CaptureFixture[str]) -> None:
    """Nobody should have to provoke an error to learn them."""
    with pytest.raises(SystemExit):
        cli.main(["simulate", "--help"])
    told = " ".join(capsys.readouterr().out.split())
    assert [name for name in (TIME, *COLUMNS) if not re.search(rf"\b{name}\b", told)] == []


WIDE_PX = 8.5
"""[px] A letter of 15 px on average takes less than this in any usual face."""


def test_no_words_of_the_drawing_run_into_one_another(settings: str, tmp_path: Path) -> None:
    """Seen once: how long the contacts last ran into the coldest soil."""
    file = tmp_path / "larch.svg"
    assert cli.main(["simulate", settings, "--days", "1", "--plot", str(file)]) == 0
    rows: dict[str, list[tuple[float, float]]] = {}
    for each in ElementTree.fromstring(file.read_text(encoding="utf-8")).iter("{http://www.w3.org/2000/svg}text"):
        if each.get("class") is None:
            x = float(each.get("x", "0"))
            rows.setdefault(each.get("y", ""), []).append((x, x + WIDE_PX * len(each.text or "")))
    assert sum(map(len, rows.values())) == 8, "four of the key, four sentences"
    for spans in rows.values():
        assert all(end <= start for (_, end), (start, _) in pairwise(sorted(spans)))
        assert max(end for _, end in spans) < 900.0


def test_weather_of_years_ago_is_moved_to_when_clocks_are_believed(
    settings: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """2013 becomes 2029, leap years kept, and the heater runs."""
    assert cli.main(["simulate", settings, "--days", "1", "--weather", hours_of_2013(tmp_path, 24)]) == 0
    out = capsys.readouterr().out
    assert "simulated 16 years later" in out
    assert "2029-02-01" in out
    assert "cycles: 0" not in out


def test_a_file_too_short_for_the_days_is_refused(
    settings: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """24 hourly records are one day, and not 1.1."""
    assert cli.main(["simulate", settings, "--days", "1.1", "--weather", hours_of_2013(tmp_path, 24)]) == 1
    assert "has 1 days from there on, asked are 1.1" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("rest", "words"),
    [
        (["--days", "0"], "--days 0 is not within"),
        (["--days", "0.0002"], "--days 0.0002 is not within 0.01 to 400"),
        (["--weather", "\N{SUPERSCRIPT TWO}"], "cannot be read"),
        (["--enclosure", "pine"], "no enclosure 'pine'; name one of larch"),
        (["--start", "spring"], "--start 'spring' is no date"),
        (["--start", "2025-12-31"], "--start is before 2026"),
        (["--start", "9999-12-31"], "--start is after 9997"),
        (["--start", "9999-12-31T23:59:59-12:00"], "--start is after 9997"),
    ],
)
def test_what_makes_no_sense_is_refused_in_words(
    settings: str, capsys: pytest.CaptureFixture[str], rest: list[str], words: str
) -> None:
    """Exit status 1, and what to write instead."""
    assert cli.main(["simulate", settings, *rest]) == 1
    assert words in capsys.readouterr().err


@pytest.mark.parametrize("rest", [["--replay", ".", "--days", "3"], ["--end", "2026-03-01T00:00:00Z"]])
def test_the_two_ways_to_simulate_do_not_mix(settings: str, rest: list[str]) -> None:
    """Misuse, exit status 2."""
    with pytest.raises(SystemExit) as ended:
        cli.main(["simulate", settings, *rest])
    assert ended.value.code == 2
