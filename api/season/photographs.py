"""Photographs on notes: which, by whom and when; removed ones are told of, their files are gone.

Notes
-----
A photograph stays with its note through every correction of it. Rows are neither changed nor taken away.
"""

import sqlite3
from dataclasses import dataclass

from api.season.picture import Picture
from api.season.plant_notes import notes
from api.season.plants import Kept, PlantError
from controller.store.connection import transaction

SCHEMA = """
CREATE TABLE photograph (
    id INTEGER PRIMARY KEY,
    note INTEGER NOT NULL REFERENCES plant_note (id),
    name TEXT NOT NULL CHECK (length(name) = 64),
    width_px INTEGER NOT NULL CHECK (width_px BETWEEN 1 AND 1600),
    height_px INTEGER NOT NULL CHECK (height_px BETWEEN 1 AND 1600),
    who TEXT NOT NULL,
    at_ms INTEGER NOT NULL CHECK (at_ms > 0)
) STRICT;
CREATE INDEX photograph_note ON photograph (note);
CREATE INDEX photograph_name ON photograph (name);
CREATE TABLE photograph_removed (
    photograph INTEGER PRIMARY KEY REFERENCES photograph (id),
    who TEXT NOT NULL,
    at_ms INTEGER NOT NULL CHECK (at_ms > 0)
) STRICT;
CREATE TRIGGER photograph_kept BEFORE UPDATE ON photograph BEGIN SELECT RAISE(ABORT, 'photographs are kept'); END;
CREATE TRIGGER photograph_stays BEFORE DELETE ON photograph BEGIN SELECT RAISE(ABORT, 'photographs are kept'); END;
CREATE TRIGGER photograph_gone BEFORE UPDATE ON photograph_removed
    BEGIN SELECT RAISE(ABORT, 'removals are kept'); END;
CREATE TRIGGER photograph_stays_gone BEFORE DELETE ON photograph_removed
    BEGIN SELECT RAISE(ABORT, 'removals are kept'); END;
"""

MOST_ON_A_NOTE = 12
"""Photographs; a page shows them all. Source: engineering judgement."""

_THERE = "NOT EXISTS (SELECT 1 FROM photograph_removed WHERE photograph = p.id)"


@dataclass(frozen=True, slots=True)
class Photograph:
    """One photograph: the note it is on now, the name of its files, and its size."""

    note: int
    name: str
    width_px: int
    height_px: int


def photographs(connection: sqlite3.Connection) -> dict[int, tuple[Kept[Photograph], ...]]:
    """Return the photographs that are there, by the note that they are on now, in the order they came."""
    rows = connection.execute(
        "WITH RECURSIVE later (photograph, note) AS ("
        f" SELECT id, note FROM photograph AS p WHERE {_THERE} UNION ALL"
        " SELECT photograph, n.id FROM later JOIN plant_note AS n ON n.replaces = later.note WHERE n.withdrawn = 0"
        ") SELECT p.id, max(later.note), name, width_px, height_px, who, at_ms"
        " FROM later JOIN photograph AS p ON p.id = later.photograph GROUP BY p.id ORDER BY p.id"
    )
    found: dict[int, list[Kept[Photograph]]] = {}
    for number, *of, who, at_ms in rows:
        found.setdefault(of[0], []).append(Kept(number, Photograph(*of), who, at_ms))
    return {note: tuple(listed) for note, listed in found.items()}


def photograph(connection: sqlite3.Connection, number: int) -> Kept[Photograph]:
    """Return one photograph.

    Raises
    ------
    PlantError
        If there is none of that number, or it was removed.
    """
    row = connection.execute(
        f"SELECT note, name, width_px, height_px, who, at_ms FROM photograph AS p WHERE id = ? AND {_THERE}", (number,)
    ).fetchone()
    if row is None:
        raise PlantError(f"photograph {number} is not there; the plant's page shows those that are")
    return Kept(number, Photograph(*row[:4]), *row[4:])


def put_photograph(
    connection: sqlite3.Connection, note: tuple[int, int], picture: Picture, who: str, at_ms: int
) -> int:
    """Keep that a note (its plant's number and its own) has a photograph, and return its number; once is enough.

    Raises
    ------
    PlantError
        If the note does not stand on that plant, or has as many as it may have.
    """
    with transaction(connection):
        plant, number = note
        if all(each.number != number for each in notes(connection, plant).get(plant, ())):
            raise PlantError(f"note {number} does not stand on plant {plant}; look again, it may have been corrected")
        there = photographs(connection).get(number, ())
        for each in there:
            if each.what.name == picture.name:
                return each.number
        if len(there) >= MOST_ON_A_NOTE:
            raise PlantError(f"note {number} has {len(there)} photographs, at most {MOST_ON_A_NOTE}; write a new note")
        done = connection.execute(
            "INSERT INTO photograph (note, name, width_px, height_px, who, at_ms) VALUES (?, ?, ?, ?, ?, ?)",
            (number, picture.name, picture.width_px, picture.height_px, who, at_ms),
        )
        return int(done.lastrowid or 0)


def put_removed(connection: sqlite3.Connection, number: int, who: str, at_ms: int) -> None:
    """Keep that a photograph was removed."""
    connection.execute("INSERT INTO photograph_removed (photograph, who, at_ms) VALUES (?, ?, ?)", (number, who, at_ms))


def is_shared(connection: sqlite3.Connection, name: str) -> bool:
    """Tell whether more than one photograph that is there has files of this name."""
    there = connection.execute(f"SELECT count(*) FROM photograph AS p WHERE name = ? AND {_THERE}", (name,)).fetchone()
    return int(there[0]) > 1
