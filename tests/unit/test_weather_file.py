"""Hourly weather from a CSV file: what is read, what is bridged, and what is refused with its place."""

import calendar
from pathlib import Path

import pytest

from controller.errors import SoilwardError
from controller.plant.weather_file import read

HOUR_MS = 3_600_000
FOUR_MS = calendar.timegm((2026, 3, 1, 4, 0, 0)) * 1000


def written(folder: Path, *lines: str) -> Path:
    """Write a file of these lines and return its path."""
    file = folder / "spring.csv"
    file.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return file


def refusal(folder: Path, *lines: str) -> str:
    """Return the words with which a file is refused."""
    with pytest.raises(SoilwardError) as caught:
        read(written(folder, *lines), 46.2, 8.4)
    assert "spring.csv" in str(caught.value)
    return str(caught.value)


def test_every_column_is_read_in_its_own_unit(tmp_path: Path) -> None:
    """Fahrenheit, km/h and percent become Cel, m/s and a part of one; measured light is taken as it is."""
    file = written(
        tmp_path,
        "time,outside_f,humidity_pct,wind_km_h,cloud_pct,light_w_m2",
        "2026-03-01T04:00:00Z,50,80,36,25,0",
        "2026-03-01T05:00:00Z,32,90,18,75,120",
    )
    found = read(file, 46.2, 8.4)
    now = found.weather.at(FOUR_MS)
    assert (now.outside_c, now.humidity_pct, now.wind_m_s, now.cloud) == pytest.approx((10.0, 80.0, 10.0, 0.25))
    half = found.weather.at(FOUR_MS + HOUR_MS // 2)
    assert (half.outside_c, half.ghi_w_m2) == pytest.approx((5.0, 60.0))
    assert (found.first_ms, found.last_ms, found.bridged) == (FOUR_MS, FOUR_MS + HOUR_MS, ())


def test_a_time_counts_with_its_offset(tmp_path: Path) -> None:
    """05:00+01:00 is 04:00 UTC."""
    assert read(written(tmp_path, "time,outside_c", "2026-03-01T05:00:00+01:00,1"), 46.2, 8.4).first_ms == FOUR_MS


@pytest.mark.parametrize("middle", [(), ("2026-03-01T05:00:00Z,", "2026-03-01T06:00:00Z,")])
def test_a_gap_of_three_hours_is_bridged_and_said(tmp_path: Path, middle: tuple[str, ...]) -> None:
    """Lines that are missing and cells that are empty alike: a straight line, and a sentence that says so."""
    lines = ("2026-03-01T04:00:00Z,1", *middle, "2026-03-01T07:00:00Z,4")
    found = read(written(tmp_path, "time,outside_c", *lines), 46.2, 8.4)
    assert found.weather.at(FOUR_MS + 2 * HOUR_MS).outside_c == pytest.approx(3.0)
    (said,) = found.bridged
    assert "3 h without a value after 2026-03-01T04:00:00" in said


def test_a_gap_just_over_three_hours_is_refused(tmp_path: Path) -> None:
    """A minute more is too much, and the message names the last line before it."""
    said = refusal(tmp_path, "time,outside_c", "2026-03-01T04:00:00Z,1", "2026-03-01T07:01:00Z,4")
    assert "line 2, column 'outside_c'" in said
    assert "at most 3 h" in said


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        (("time,outside_c", "2026-03-01T04:00:00Z,8l"), "line 2, column 'outside_c': '8l' is no number; write"),
        (("time,outside_c", "2026-03-01T04:00:00Z,nan"), "line 2, column 'outside_c': nan is outside -60 to 60"),
        (("time,outside_c", "2026-03-01T04:00:00Z,60.1"), "60.1 is outside -60 to 60; check its unit"),
        (("time,outside_c", "2026-03-01T04:00:00,8"), "does not say its offset; end it with Z"),
        (("time,outside_c", "yesterday,8"), "column 'time': 'yesterday' is no time; write it as"),
        (("time,outside_c", "2026-03-01T04:00:00Z,8", "2026-03-01T05:00:00+01:00,9"), "line 3, column 'time'"),
        (("time,outside_c", "2026-03-01T04:00:00Z,8", "2026-03-01T04:00:00Z,8"), "twice; keep one record"),
        (("time,outside_c", "2026-03-01T04:00:00Z,8", "2026-03-01T03:00:00Z,8"), "earlier than the record above"),
        (("time,outside_c", "2026-03-01T04:00:00Z,8,9"), "line 2: has 3 values, the header 2"),
        (("time,outside_c", "2026-03-01T04:00:00Z,"), "the first and last value may not be empty"),
        (("time,rain_mm", "2026-03-01T04:00:00Z,8"), "column 2: 'rain_mm' is no column of weather; use time"),
        (("time,outside_c,outside_f", "2026-03-01T04:00:00Z,8,46"), "'outside_c' is given by 2 columns; keep one"),
        (("time,cloud", "2026-03-01T04:00:00Z,1"), "has no column 'outside_c'; add one; outside_f will do"),
        (("time,outside_c",), "has a header and no records"),
    ],
)
def test_what_cannot_be_weather_is_refused_with_its_place(tmp_path: Path, lines: tuple[str, ...], words: str) -> None:
    """File, line, column, value and remedy are in the message."""
    assert words in refusal(tmp_path, *lines)


def test_the_bounds_themselves_are_taken(tmp_path: Path) -> None:
    """-60 and 60 Cel are weather."""
    file = written(tmp_path, "time,outside_c", "2026-03-01T04:00:00Z,-60", "2026-03-01T05:00:00Z,60")
    assert read(file, 46.2, 8.4).weather.at(FOUR_MS).outside_c == -60.0


def test_a_file_that_is_not_there_is_named(tmp_path: Path) -> None:
    """No traceback: the path and what to do."""
    with pytest.raises(SoilwardError, match=r"none\.csv: cannot be read"):
        read(tmp_path / "none.csv", 46.2, 8.4)
