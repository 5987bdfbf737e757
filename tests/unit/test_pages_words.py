"""Words for numbers, ages and dates."""

from zoneinfo import ZoneInfo

import pytest

from api.pages import words
from api.pages.words import Unit, unbroken

ZONE = ZoneInfo("Europe/Zurich")
NOW_MS = 1_772_338_322_000  # Sunday 2026-03-01 05:12:02 at the site
HOUR_MS = 3_600_000


@pytest.mark.parametrize(
    ("text", "fahrenheit"),
    [
        ("Soil 18.1 Cel, asked 18.0 Cel.", "Soil 64.6 °F, asked 64.4 °F."),
        ("limit 70 Cel", "limit 158 °F"),
        ("outside -5.0 to 32.0 Cel", "outside 23.0 to 89.6 °F"),
        ("air probe 'air-2' reads -40.0 Cel", "air probe 'air-2' reads −40.0 °F"),
        ("rose 2.0 K in 3 min", "rose 2.0 K in 3 min"),
    ],
)
def test_sentences_follow_fahrenheit(text: str, fahrenheit: str) -> None:
    """Every Cel in a sentence is converted, ranges whole; differences, times and names are left alone."""
    assert words.said(text, Unit.F) == fahrenheit


def test_sentences_in_cel_keep_their_numbers() -> None:
    """Only the way the unit is written changes."""
    assert words.said("limit 70.0 Cel", Unit.C) == "limit 70.0 °C"


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("air reached 58.0 Cel: go and look", "Air reached 58.0 °C: go and look."),
        ("stopped by keeper.", "Stopped by keeper."),
        ("run `soilward check`", "Run “soilward check”."),
        ("readings.db is damaged; move it away", "readings.db is damaged; move it away."),
        ("season.station_file: 'x' cannot be read", "season.station_file: 'x' cannot be read."),
    ],
)
def test_what_the_controller_says_becomes_a_sentence(text: str, sentence: str) -> None:
    """A capital, but for a name; one full stop, the reader's unit, and a command to type in quotation marks."""
    assert words.sentence(text, Unit.C) == sentence


@pytest.mark.parametrize(
    ("hours", "said"),
    [
        (0, "05:12"),
        (-6, "yesterday 23:12"),
        (20, "tomorrow 01:12"),
        (-72, "Thursday 05:12"),
        (-24 * 20, "9 February 05:12"),
        (-24 * 70, "21 December 2025 05:12"),
    ],
)
def test_times_are_said_as_people_say_them(hours: int, said: str) -> None:
    """Days count by the site's own midnight, not by 24 h."""
    assert words.moment(NOW_MS + hours * HOUR_MS, NOW_MS, ZONE) == said


@pytest.mark.parametrize(
    ("seconds", "said"),
    [(0, "0 s"), (89, "89 s"), (240, "4 min"), (3600, "1 h"), (7500, "2 h 5 min"), (18_000, "5 h"), (200_000, "56 h")],
)
def test_durations_have_at_most_two_parts(seconds: float, said: str) -> None:
    """Short spans exactly, long ones roughly."""
    assert words.duration(seconds) == ("2 days" if seconds == 200_000 else said)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("no heat until 9999-12-31T23:59:59Z", "no heat until 31 December 9999 23:59"),
        ("until 2026-13-45T99:99:99Z, he wrote", "until 2026-13-45T99:99:99Z, he wrote"),
    ],
)
def test_no_time_that_somebody_wrote_breaks_the_page_it_stands_on(text: str, said: str) -> None:
    """The calendar's last hour has no local one, and what only looks like a time is none; the journal keeps both."""
    assert words.dated(text, 0, ZoneInfo("Europe/Zurich")) == said


def test_a_number_never_reads_minus_zero() -> None:
    """-0.04 rounds to 0.0; a minus is a true minus sign."""
    assert words.number(-0.04) == "0.0"
    assert words.number(-1.4) == "\N{MINUS SIGN}1.4"


@pytest.mark.parametrize("unit", ["°C", "°F", "%", "kWh", "kg", "cm", "K", "W", "h", "min"])
def test_no_line_parts_a_number_from_its_unit(unit: str) -> None:
    """A phone once broke "24" from "% of the last hour"; words that only begin like a unit stay apart."""
    assert unbroken(f"Heat 24 {unit} of it.") == f"Heat 24\N{NO-BREAK SPACE}{unit} of it."
    assert unbroken("24 heaters, 3 Kinds, 2 minds") == "24 heaters, 3 Kinds, 2 minds"
