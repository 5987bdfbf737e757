"""GHCN-Daily as its readme lays it out, and real daily records read back."""

from datetime import date

from api.season.ghcn import read_record
from tests.airports import seattle


def dly(month: str, element: str, fields: dict[int, str]) -> str:
    """Return a `.dly` line of a station in Newark: fields of 8 columns by day, the others missing."""
    days = "".join(fields.get(day, "-9999   ") for day in range(1, 32))
    return f"USW00014734{month}{element}{days}\n"


def test_a_dly_line_has_a_day_every_eight_columns() -> None:
    """Day d's value begins in column 22 + 8 (d - 1), in tenths; -9999 and whatever failed a check are missing.

    Source: GHCN-Daily readme, III (NOAA NCEI); Menne et al. 2012, doi 10.7289/V5D21VHZ.
    """
    fields = {1: "  215  S", 2: "  -17H S", 3: "  100 IS", 31: "  -56   "}
    line = dly("202603", "TMIN", fields)
    assert len(line.rstrip("\n")) == 269
    assert line[21 + 8 * 30 :].startswith("  -56")
    record = read_record([line, dly("202603", "TMAX", {1: "  300   "})], "newark.dly")
    assert [record.tmin_c(date(2026, 3, day)) for day in (1, 2, 3, 4, 31)] == [21.5, -1.7, None, None, -5.6]
    assert record.days[date(2026, 3, 1)].tmax_c == 30.0


def test_a_by_station_line_is_one_element_of_one_day() -> None:
    """ID, day, element, value in tenths, two flags and a source; a quality flag makes it missing; others are skipped.

    Source: GHCN-Daily readme of the by-station files (NOAA NCEI).
    """
    lines = [
        "USW00014734,20130404,TMAX,94,,,W,2400\n",
        "USW00014734,20130404,TMIN,-6,,,W,2400\n",
        "USW00014734,20130405,TMIN,-906,,X,W,2400\n",
        "USW00014734,20130406,TMIN,-9999,,,W,\n",
        "USW00014734,20130406,SN32,115,,,W,\n",
        "USW00014734,20130406,PRCP,0,T,,W,2400\n",
    ]
    record = read_record(lines, "USW00014734.csv")
    assert [record.tmin_c(date(2013, 4, day)) for day in (4, 5, 6)] == [-0.6, None, None]
    assert record.days[date(2013, 4, 4)].tmax_c == 9.4


def test_four_years_of_a_plain_record_are_read_whole() -> None:
    """1461 days, none missing, 29 February 2012 among them; the first is 5.0 to 12.8 Cel.

    Source: vega-datasets 0.9.0 (MIT), NOAA daily observations at Seattle, 2012 to 2015.
    """
    record = read_record(seattle(), "seattle.csv")
    assert (len(record.days), record.missing(*record.span)) == (1461, [])
    assert record.span == (date(2012, 1, 1), date(2015, 12, 31))
    assert record.tmin_c(date(2012, 2, 29)) is not None
    assert (record.tmin_c(date(2012, 1, 1)), record.days[date(2012, 1, 1)].tmax_c) == (5.0, 12.8)
