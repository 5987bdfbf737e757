"""Plants and their notes as a file (RFC 4180), out and in; what comes in is taken whole or not at all.

Notes
-----
A row of kind "plant" says what a plant is, any other what was seen on the plant of that name. A note that stands
already adds nothing, so a file can be taken twice; one more of the same in the file is one more. `who` and `entered`
go out; what comes in is the taker's, now.
"""

import csv
import io
import sqlite3
from collections import Counter
from collections.abc import Collection
from dataclasses import dataclass
from datetime import date

from api.season.plant_fields import FieldError, check_note, check_plant, check_scale, note_of, plant_of
from api.season.plant_notes import Note, notes, put_note
from api.season.plants import Kept, Plant, PlantError, named, plants, put_plant
from controller.clock import rfc3339
from controller.store.connection import transaction

_OF_PLANT = ("cultivar", "place", "enclosure", "protection", "stands", "planted", "scale", "active")
_OF_NOTE = ("day", "code", "share_pct", "count", "grams", "crop", "words")
COLUMNS = ("plant", "kind", *_OF_PLANT, *_OF_NOTE, "who", "entered")
_NEEDED = COLUMNS[:-2]


@dataclass(frozen=True, slots=True)
class Within:
    """What a row is checked against: the enclosures of settings, and today."""

    enclosures: Collection[str]
    today: date


@dataclass(frozen=True, slots=True)
class Taken:
    """How many rows of a file were new."""

    plants: int
    notes: int


def to_csv(connection: sqlite3.Connection) -> str:
    """Return every plant, and under it the notes that stand, oldest first."""
    written = io.StringIO()
    out = csv.writer(written)
    out.writerow(COLUMNS)
    seen = notes(connection)
    for each in plants(connection):
        out.writerow(_plant_row(each))
        out.writerows(_note_row(each.what.name, note) for note in reversed(seen.get(each.number, ())))
    return written.getvalue()


def take_csv(connection: sqlite3.Connection, text: str, within: Within, who: str, at_ms: int) -> Taken:
    """Keep what a file says, all of it or nothing.

    Raises
    ------
    PlantError
        Naming line, column, value, bound and remedy of the first thing that cannot be taken.
    """
    with transaction(connection):
        rows = _rows(text)
        of_plants = [row for row in rows if row[1]["kind"] == "plant"]
        _refuse_twice(of_plants)
        new_plants = sum(_take_plant(connection, *row, within, who, at_ms) for row in of_plants)
        of_notes = [row for row in rows if row[1]["kind"] != "plant"]
        new_notes = _take_notes(connection, of_notes, within, who, at_ms)
    return Taken(new_plants, new_notes)


def _rows(text: str) -> list[tuple[int, dict[str, str]]]:
    reader = csv.reader(io.StringIO(text.removeprefix("\ufeff"), newline=""), strict=True)
    try:
        head = next(reader, [])
        missing = [each for each in _NEEDED if each not in head]
        unknown = [each for each in head if each not in COLUMNS]
        if missing or unknown or len(set(head)) != len(head):
            named = f"column {(missing or unknown or head)[0]!r}"
            fault = "is missing" if missing else "is not known" if unknown else "or another stands twice"
            raise PlantError(f"line 1: {named} {fault}; write the columns {','.join(_NEEDED)}")
        return [(reader.line_num, _named(head, row, reader.line_num)) for row in reader if row]
    except csv.Error as error:
        raise PlantError(f"line {reader.line_num}: {error}; quote fields as RFC 4180 says") from error


def _named(head: list[str], row: list[str], line: int) -> dict[str, str]:
    if len(row) != len(head):
        raise PlantError(f"line {line}: has {len(row)} fields, the head {len(head)}; quote a field that holds a comma")
    return dict(zip(head, row, strict=True))


def _refuse_twice(rows: list[tuple[int, dict[str, str]]]) -> None:
    """Refuse a second plant of one name: it would overwrite the first, and have all notes of both."""
    first: dict[str, int] = {}
    for line, row in rows:
        name = row["plant"].strip()
        if name in first:
            bound = f"is there already, in line {first[name]}; give each plant a name of its own"
            raise _at(line, FieldError("plant", name, bound))
        first[name] = line


def _take_plant(
    connection: sqlite3.Connection, line: int, row: dict[str, str], within: Within, who: str, at_ms: int
) -> int:
    try:
        new = plant_of({**row, "name": row["plant"]})
        known = named(connection, new.name)
        check_plant(new, within.enclosures, within.today.year, None if known is None else known.what.enclosure)
        if known is not None:
            check_scale(new, [each.what for each in notes(connection, known.number).get(known.number, ())])
    except FieldError as error:
        raise _at(line, error) from error
    if known is not None and known.what == new:
        return 0
    put_plant(connection, new, who, at_ms, None if known is None else known.number)
    return 1


def _take_notes(
    connection: sqlite3.Connection, rows: list[tuple[int, dict[str, str]]], within: Within, who: str, at_ms: int
) -> int:
    known = {each.what.name: each for each in plants(connection)}
    here = Counter((number, each.what) for number, seen in notes(connection).items() for each in seen)
    taken = 0
    for line, row in rows:
        number, new = _note(line, row, known, within.today)
        if here[number, new]:
            here[number, new] -= 1
        else:
            put_note(connection, number, new, who, at_ms)
            taken += 1
    return taken


def _note(line: int, row: dict[str, str], known: dict[str, Kept[Plant]], today: date) -> tuple[int, Note]:
    try:
        of = known.get(row["plant"].strip())
        if of is None:
            raise FieldError("plant", row["plant"], "is neither here nor in the file; add a row of kind plant for it")
        new = note_of(row)
        check_note(new, of.what.scale, today)
    except FieldError as error:
        raise _at(line, error) from error
    return of.number, new


def _at(line: int, error: FieldError) -> PlantError:
    column = "plant" if error.column == "name" else error.column
    return PlantError(f"line {line}, column {column}: {str(error).partition(': ')[2]}")


def _plant_row(kept: Kept[Plant]) -> list[object]:
    known = kept.what
    values = [getattr(known, column) for column in _OF_PLANT[:-1]]
    active = "yes" if known.active else "no"
    return [known.name, "plant", *values, active, *("" for _ in _OF_NOTE), kept.who, rfc3339(kept.at_ms)]


def _note_row(name: str, kept: Kept[Note]) -> list[object]:
    values = ["" if (value := getattr(kept.what, column)) is None else value for column in _OF_NOTE]
    return [name, kept.what.kind, *("" for _ in _OF_PLANT), *values, kept.who, rfc3339(kept.at_ms)]
