"""Daily records that are not what they seem: each is read right or refused with its place and the remedy."""

from collections.abc import Iterator
from datetime import date

import pytest

from api.season.daily import RecordError
from api.season.ghcn import read_record


def plain(*lines: str, header: str = "date,tmin_c") -> list[str]:
    """Return lines of a plain CSV."""
    return [f"{line}\n" for line in (header, *lines)]


def dly(day_30: str = "-9999   ", station: str = "USW00014734", month: str = "202602") -> str:
    """Return a `.dly` line with 1.0 Cel on the first and something on the 30th."""
    days = ["   10   ", *["-9999   "] * 28, day_30, "-9999   "]
    return f"{station}{month}TMIN{''.join(days)}\n"


@pytest.mark.parametrize("header", ["date,tmin_f", "Date, TMIN_F", "\ufeffdate,tmin_f"])
def test_fahrenheit_is_read_where_the_header_says_so(header: str) -> None:
    """32 F is 0 Cel; case, blanks and a byte order mark do no harm."""
    record = read_record(plain("2026-04-04,32", "2026-04-05,14", header=header), "garden.csv")
    assert [record.tmin_c(date(2026, 4, day)) for day in (4, 5)] == pytest.approx([0.0, -10.0])


def test_empty_and_minus_9999_are_missing() -> None:
    """Neither is a frost of -9999 Cel, in either unit."""
    for header in ("date,tmin_c", "date,tmin_f"):
        record = read_record(plain("2026-04-04,", "2026-04-05,-9999", "2026-04-06,1", header=header), "garden.csv")
        assert record.missing(date(2026, 4, 4), date(2026, 4, 6)) == [date(2026, 4, 4), date(2026, 4, 5)]


def test_29_february_is_a_day_in_a_leap_year_alone() -> None:
    """2028 has it, 2026 has not; in a `.dly` line neither year has a 30 February."""
    record = read_record(plain("2028-02-29,-1", "2028-03-01,2"), "garden.csv")
    assert record.tmin_c(date(2028, 2, 29)) == -1.0
    with pytest.raises(RecordError, match=r"garden\.csv, line 2, column 'date': '2026-02-29' is no date; write it as"):
        read_record(plain("2026-02-29,-1"), "garden.csv")
    with pytest.raises(RecordError, match="line 1, columns 254-258: '20260230' is no date"):
        read_record([dly("   10   ")], "newark.dly")
    assert list(read_record([dly()], "newark.dly").days) == [date(2026, 2, 1)]


def test_a_day_that_is_there_twice_counts_once_if_both_agree() -> None:
    """Files that overlap are joined without harm."""
    assert len(read_record(plain("2026-04-04,1", "2026-04-04,1"), "garden.csv").days) == 1


@pytest.mark.parametrize("second", ["2", "", "-9999"])
def test_a_day_that_is_there_twice_with_two_values_is_refused(second: str) -> None:
    """The words say which day, both values, and what to do."""
    said = "missing" if second in ("", "-9999") else "2 Cel"
    words = f"line 3, column 'tmin_c': TMIN of 2026-04-04 is {said}, but 1 Cel in a line before; keep the true one"
    with pytest.raises(RecordError, match=words):
        read_record(plain("2026-04-04,1", f"2026-04-04,{second}"), "garden.csv")


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        (plain("2026-07-04,68"), "line 2, column 'tmin_c': 68 C is outside -90 to 45 Cel; if it is Fahrenheit"),
        (plain("2026-07-04,45.1"), "45.1 C is outside"),
        (plain("2026-07-04,-90.1"), "-90.1 C is outside"),
        (plain("2026-07-04,293.15", header="date,tmin_f"), "column 'tmin_f': 293.15 F is outside -90 to 45 Cel"),
        (plain("2026-07-04,nan"), "'nan' is no temperature; leave it empty"),
        (plain("2026-07-04,inf"), "'inf' is no temperature"),
        (plain("2026-07-04,cold"), "'cold' is no number; write one such as -1.5"),
        (plain("2026-07-04,1,2"), "line 2: has 3 values, the header 2"),
        (plain("4.7.2026,1"), "'4.7.2026' is no date; write it as 2026-02-28"),
        (plain("2026-07-04,20,10", header="date,tmin_c,tmax_c"), "lowest 20 above highest 10 Cel; are the columns"),
        (plain("2026-07-04,1", header="date,tmin"), "line 1, column 2: 'tmin' is no column of a record; use date"),
        (plain("2026-07-04,1", header="day,tmin_c"), "line 1, column 1: 'day' is no column"),
        (plain("2026-07-04,1", header="date,tmax_c"), "line 1: has not one date and one lowest a day"),
        (plain("2026-07-04,1,34", header="date,tmin_c,tmin_f"), "line 1: has not one date and one lowest a day"),
        (plain("2026-07-04,1,2,3", header="date,tmin_c,tmax_c,tmax_f"), "line 1: has not one date and one lowest"),
        (plain("2026-07-04,"), "garden.csv: has no lowest temperature of any day"),
        (plain('2026-07-04,"1', "2026-07-05,2"), "line 3: is no CSV (unexpected end of data); save it as one"),
        ([], "garden.csv, line 1: has not one date"),
        ([dly(), dly(station="USW00014732")], "line 2: station USW00014732 after USW00014734; give one station's"),
        ([dly(), "what is this\n"], "line 2: 'what is this' does not begin with station, year, month and element"),
        ([dly(month="202613")], "line 1, columns 22-26: '20261301' is no date"),
        ([dly(" 2150   ", month="202603")], "columns 254-258: 2150 tenths is outside -90 to 45 Cel; give GHCN-Daily's"),
        (["USW00014734,20260404,TMIN,-6\n"], "line 1: has 4 values, a by-station line has 6 to 8"),
        (["USW00014734,20260404,TMIN,680,,,W\n"], "line 1, column 4: 680 tenths is outside -90 to 45 Cel"),
        (["USW00014734,20260431,TMIN,-6,,,W\n"], "line 1, column 2: '20260431' is no date"),
    ],
)
def test_what_cannot_be_taken_is_refused_with_its_place(lines: list[str], words: str) -> None:
    """Line, column, value, bound and remedy, as far as each makes sense."""
    with pytest.raises(RecordError) as caught:
        read_record(lines, "garden.csv")
    assert words in str(caught.value)
    assert str(caught.value).startswith("garden.csv")


@pytest.mark.parametrize("value", ["45", "-90"])
def test_a_value_at_its_bound_is_taken(value: str) -> None:
    """The bounds themselves are weather."""
    assert read_record(plain(f"2026-07-04,{value}"), "garden.csv").tmin_c(date(2026, 7, 4)) == float(value)


def test_a_value_that_failed_its_check_need_not_be_weather() -> None:
    """The service has said that it is none: it is missing, and the rest of the record stands."""
    record = read_record(
        ["USW00014734,20260404,TMIN,2999,,X,W,\n", "USW00014734,20260405,TMIN,10,,,W,\n"], "newark.csv"
    )
    assert (record.tmin_c(date(2026, 4, 4)), record.tmin_c(date(2026, 4, 5))) == (None, 1.0)


def test_lines_are_taken_one_at_a_time() -> None:
    """A record is never held as text as a whole: what stands below a fault was not taken yet."""
    forms = {
        "newark.csv": ["USW00014734,20260401,TMIN,10,,,W,\n", "USW00014734,20260402,TMIN,x,,,W,\n"],
        "newark.dly": [dly(), dly("    x   ", month="202603")],
        "garden.csv": plain("2026-04-01,1", "2026-04-02,x"),
    }
    for name, lines in forms.items():
        taken: list[str] = []
        with pytest.raises(RecordError, match="'x' is no number"):
            read_record(_noted([*lines, "never reached\n"], taken), name)
        assert taken == lines


def _noted(lines: list[str], taken: list[str]) -> Iterator[str]:
    for line in lines:
        taken.append(line)
        yield line


def by_station(element: str, day: str, tenths: int, hour: str | None = "") -> str:
    """Return a line of a by-station CSV; None leaves the last value out."""
    return f"USW00014734,{day},{element},{tenths},,,0{'' if hour is None else ',' + hour}\n"


@pytest.mark.parametrize(("hour", "on"), [("0700", 1), ("1159", 1), ("1200", 2), ("1700", 2), ("2400", 2), ("", 2)])
def test_a_highest_read_in_the_morning_is_of_the_day_before(hour: str, on: int) -> None:
    """Just before and at noon; midnight ends a day; the lowest stays where it is."""
    lines = [by_station("TMIN", f"202604{day:02d}", 10 * day, hour) for day in (1, 2)]
    record = read_record([*lines, by_station("TMAX", "20260402", 200, hour)], "newark.csv")
    assert [record.days[date(2026, 4, day)].tmax_c for day in (1, 2)] == [20.0 if day == on else None for day in (1, 2)]
    assert record.tmin_c(date(2026, 4, 2)) == 2.0


@pytest.mark.parametrize(("evening", "morning"), [(200, 150), (150, 200)])
def test_a_station_that_moves_its_reading_to_the_morning_keeps_its_record(evening: int, morning: int) -> None:
    """The last highest of an evening and the first put back from a morning are of one day: the higher one is its."""
    lines = [by_station("TMIN", "20260401", 10, "1700"), by_station("TMAX", "20260401", evening, "1700")]
    lines.append(by_station("TMAX", "20260402", morning, "0700"))
    for order in (lines, lines[::-1]):
        assert read_record(order, "coop.csv").days[date(2026, 4, 1)].tmax_c == 20.0
    with pytest.raises(RecordError, match="TMAX of 2026-04-01 is 9 Cel, but"):
        read_record([*lines, by_station("TMAX", "20260402", 90, "0700")], "coop.csv")


def test_what_is_known_of_the_hour_is_said() -> None:
    """Shifted, not said by a `.dly` or an empty field, or nothing to say."""
    low = by_station("TMIN", "20260402", 10)
    for hour, said in (("0800", "1 highest were read in the morning"), ("", "does not say at what hour"), ("2400", "")):
        note = read_record([low, by_station("TMAX", "20260402", 200, hour)], "newark.csv").note
        assert said in note
        assert bool(said) is bool(note)
    assert "does not say at what hour" in read_record([low, by_station("TMAX", "20260402", 200, None)], "n.csv").note
    assert "does not say at what hour" in read_record([dly()], "newark.dly").note
    assert read_record(plain("2026-04-04,1"), "garden.csv").note == ""


@pytest.mark.parametrize("hour", ["7", "2500", "0760", "07:00", "noon"])
def test_an_hour_that_is_none_is_refused(hour: str) -> None:
    """With its place and how it is written."""
    with pytest.raises(RecordError, match=rf"line 1, column 8: '{hour}' is no hour; write HHMM such as 0700"):
        read_record([by_station("TMAX", "20260402", 200, hour)], "newark.csv")
