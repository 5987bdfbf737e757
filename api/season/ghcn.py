"""Daily records as weather services and growers keep them: GHCN-Daily in both its forms, and a plain CSV.

Notes
-----
A value that failed one of the service's own checks counts as missing. A day that is there twice with one value is taken
once; with two values the record is refused, for nobody but its owner can tell which is true. The highest that a
station read in the morning is of the afternoon before, and is put there where the file says at what hour it was read;
`.dly` never says. The lowest, by which frost is told, stays where it is.

Source: Menne et al. 2012, doi 10.7289/V5D21VHZ (GHCN-Daily) and its readme.
"""

import csv
import math
import re
from collections.abc import Iterable, Iterator
from datetime import date, timedelta
from itertools import chain

from api.season.daily import COLDEST_C, Daily, Day, RecordError, daily_of
from controller.units import fahrenheit_to_c

MISSING = "-9999"
NOON = "1200"
"""Before this hour of local time a highest is that of the day before. Source: engineering judgement."""
UNTOLD = (
    "Its file does not say at what hour the station was read: where that is in the morning, each highest stands a day "
    "late. Frost goes by the lowest, which does not."
)
WARMEST_NIGHT_C = 45.0
"""[Cel] no night on earth stayed as warm as this; a summer in Fahrenheit does. Source: engineering judgement."""

WARMEST_C = 60.0
_ELEMENTS = {"TMIN": WARMEST_NIGHT_C, "TMAX": WARMEST_C}
_DLY = re.compile(r"^[A-Z]{2}[A-Z0-9_-]{9}\d{6}[A-Z0-9]{4}")
_STATION = re.compile(r"^\"?[A-Z]{2}[A-Z0-9_-]{9}\"?,\"?\d{8}\"?,")
_FIRST, _WIDTH, _LAST = 21, 8, 31


def read_record(lines: Iterable[str], name: str) -> Daily:
    """Return the record in lines of whichever of the three forms they are in; see `read_plain` for the third.

    Raises
    ------
    RecordError
        If they are in none of them, or as the form's own reader says.
    """
    rest = iter(lines)
    first = next(rest, "").removeprefix("\ufeff")
    every = chain([first], rest)
    if _DLY.match(first):
        return read_dly(every, name)
    return read_by_station(every, name) if _STATION.match(first) else read_plain(every, name)


def read_dly(lines: Iterable[str], name: str) -> Daily:
    """Return the record in GHCN-Daily's `.dly` lines: a month of one element each, 31 fields of eight columns.

    Raises
    ------
    RecordError
        Naming line, column, value, bound and remedy, if a line is no such line, or there is more than one station.
    """
    gathered = _Gathered(name)
    for number, line in _filled(lines):
        where = f"{name}, line {number}"
        if not _DLY.match(line):
            raise RecordError(f"{where}: {line[:21]!r} does not begin with station, year, month and element; give .dly")
        gathered.of_station(where, line[:11])
        element = line[17:21]
        if element not in _ELEMENTS:
            continue
        for day in range(1, _LAST + 1):
            begin = _FIRST + _WIDTH * (day - 1)
            place = f"{where}, columns {begin + 1}-{begin + 5}"
            written, failed = line[begin : begin + 5].strip(), line[begin + 6 : begin + 7].strip()
            if written and written != MISSING:
                on = _date(place, f"{line[11:17]}{day:02d}")
                gathered.take(place, on, element, None if failed else _tenths_c(place, element, written))
    return gathered.record(UNTOLD)


def read_by_station(lines: Iterable[str], name: str) -> Daily:
    """Return the record in GHCN-Daily's by-station CSV, which has no header: one day's element a line.

    Raises
    ------
    RecordError
        Naming line, column, value, bound and remedy, if a line is no such line, or there is more than one station.
    """
    gathered, put_back, untold = _Gathered(name), 0, 0
    for number, row in _rows(lines, name):
        where = f"{name}, line {number}"
        if len(row) < 6:
            raise RecordError(f"{where}: has {len(row)} values, a by-station line has 6 to 8; give the whole line")
        station, day, element, written, failed = row[0], row[1], row[2], row[3], row[5]
        gathered.of_station(where, station)
        if element in _ELEMENTS and written and written != MISSING:
            on, place = _date(f"{where}, column 2", day), f"{where}, column 4"
            value_c = None if failed else _tenths_c(place, element, written)
            hour = _hour(where, row[7] if len(row) > 7 else "") if element == "TMAX" else NOON
            untold += hour is None
            is_late = hour is not None and hour < NOON
            put_back += is_late
            gathered.take(place, on - timedelta(days=is_late), element, value_c, put_back=is_late)
    return gathered.record(_told(put_back, untold))


def _hour(where: str, written: str) -> str | None:
    """Return when a day was read as HHMM, or None where it is not said."""
    if not written:
        return None
    if not re.fullmatch(r"(?:[01]\d|2[0-3])[0-5]\d|2400", written):
        raise RecordError(f"{where}, column 8: {written[:10]!r} is no hour; write HHMM such as 0700, or leave it empty")
    return written


def _told(put_back: int, untold: int) -> str:
    if put_back:
        return f"{put_back} highest were read in the morning, and count for the day before."
    return UNTOLD if untold else ""


def read_plain(lines: Iterable[str], name: str) -> Daily:
    """Return the record in a CSV whose header names `date`, `tmin_c` or `tmin_f`, and perhaps `tmax_c` or `tmax_f`.

    Raises
    ------
    RecordError
        Naming line, column, value, bound and remedy, if the header or a line cannot be taken.
    """
    rows = _rows(lines, name)
    header = [each.lower() for each in next(rows, (1, []))[1]]
    columns = _columns(name, header)
    gathered = _Gathered(name)
    for number, row in rows:
        where = f"{name}, line {number}"
        if len(row) != len(header):
            raise RecordError(f"{where}: has {len(row)} values, the header {len(header)}; make them one")
        on = _date(f"{where}, column 'date'", row[header.index("date")])
        for column, (element, unit) in columns.items():
            written = row[header.index(column)]
            place = f"{where}, column {column!r}"
            value_c = None if written in ("", MISSING) else _plain_c(place, element, unit, written)
            gathered.take(place, on, element, value_c)
        gathered.in_order(where, on)
    return gathered.record()


def _columns(name: str, header: list[str]) -> dict[str, tuple[str, str]]:
    """Return element and unit of each column of temperature."""
    found: dict[str, tuple[str, str]] = {}
    for place, column in enumerate(header, 1):
        element, _, unit = column.upper().rpartition("_")
        if element in _ELEMENTS and unit in ("C", "F"):
            found[column] = (element, unit)
        elif column != "date":
            known = "date, tmin_c or tmin_f, tmax_c or tmax_f"
            raise RecordError(f"{name}, line 1, column {place}: {column!r} is no column of a record; use {known}")
    elements = [element for element, _ in found.values()]
    if header.count("date") != 1 or elements.count("TMIN") != 1 or len(set(elements)) != len(header) - 1:
        raise RecordError(f"{name}, line 1: has not one date and one lowest a day; write date,tmin_c or date,tmin_f")
    return found


def _plain_c(where: str, element: str, unit: str, written: str) -> float:
    value = _number(where, written)
    value_c = fahrenheit_to_c(value) if unit == "F" else value
    if COLDEST_C <= value_c <= _ELEMENTS[element]:
        return value_c
    remedy = "if it is Fahrenheit, name the column so, with _f" if unit == "C" else "if it is Cel, name it so, with _c"
    bound = f"{COLDEST_C:g} to {_ELEMENTS[element]:g} Cel"
    raise RecordError(f"{where}: {written} {unit} is outside {bound}; {remedy}, or leave it empty if it is an error")


def _tenths_c(where: str, element: str, written: str) -> float:
    value_c = _number(where, written) / 10.0
    if COLDEST_C <= value_c <= _ELEMENTS[element]:
        return value_c
    bound = f"{COLDEST_C:g} to {_ELEMENTS[element]:g} Cel"
    raise RecordError(f"{where}: {written} tenths is outside {bound}; give GHCN-Daily's own file, in tenths of Cel")


def _number(where: str, written: str) -> float:
    try:
        value = float(written)
    except ValueError as error:
        raise RecordError(f"{where}: {written!r} is no number; write one such as -1.5, or leave it empty") from error
    if not math.isfinite(value):
        raise RecordError(f"{where}: {written!r} is no temperature; leave it empty where there is none")
    return value


def _date(where: str, written: str) -> date:
    try:
        return date.fromisoformat(written)
    except ValueError as error:
        raise RecordError(f"{where}: {written!r} is no date; write it as 2026-02-28") from error


def _filled(lines: Iterable[str]) -> Iterator[tuple[int, str]]:
    return ((number, line.rstrip("\r\n")) for number, line in enumerate(lines, 1) if line.strip())


def _rows(lines: Iterable[str], name: str) -> Iterator[tuple[int, list[str]]]:
    reader = csv.reader(lines, strict=True)
    try:
        for row in reader:
            cells = [cell.strip().removeprefix("\ufeff") for cell in row]
            if any(cells):
                yield reader.line_num, cells
    except csv.Error as error:
        raise RecordError(f"{name}, line {reader.line_num}: is no CSV ({error}); save it as one") from error


class _Gathered:
    """One station's days while its lines are read."""

    def __init__(self, name: str) -> None:
        self._name = name
        self._station: str | None = None
        self._values: dict[str, dict[date, float | None]] = {element: {} for element in _ELEMENTS}
        self._put_back: dict[date, float | None] = {}

    def of_station(self, where: str, station: str) -> None:
        """Hold that every line is of one station."""
        if self._station not in (None, station):
            raise RecordError(f"{where}: station {station} after {self._station}; give one station's lines")
        self._station = station

    def take(self, where: str, on: date, element: str, value_c: float | None, *, put_back: bool = False) -> None:
        """Take a day's element; None is missing. Of one put back and one read on the day itself the higher counts."""
        values = self._put_back if put_back else self._values[element]
        if on in values and values[on] != value_c:
            one, other = ("missing" if each is None else f"{each:g} Cel" for each in (values[on], value_c))
            raise RecordError(f"{where}: {element} of {on} is {other}, but {one} in a line before; keep the true one")
        values[on] = value_c

    def in_order(self, where: str, on: date) -> None:
        """Hold that a day's lowest is not above its highest, as it is where two columns were swapped."""
        lowest_c, highest_c = self._values["TMIN"].get(on), self._values["TMAX"].get(on)
        if lowest_c is not None and highest_c is not None and lowest_c > highest_c:
            raise RecordError(f"{where}: lowest {lowest_c:g} above highest {highest_c:g} Cel; are the columns swapped?")

    def record(self, note: str = "") -> Daily:
        """Return the days taken; refuses a record without a lowest temperature."""
        lowest, highest = self._values["TMIN"], self._values["TMAX"]
        if not any(value is not None for value in lowest.values()):
            raise RecordError(f"{self._name}: has no lowest temperature of any day; give a record with TMIN")
        for on, value_c in self._put_back.items():
            highest[on] = max((each for each in (highest.get(on), value_c) if each is not None), default=None)
        days = sorted(lowest.keys() | highest.keys())
        return daily_of(self._name, (Day(on, lowest.get(on), highest.get(on)) for on in days), note)
