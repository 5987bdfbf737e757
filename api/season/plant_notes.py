"""What was seen on plants: stages, damage, harvests, crops that never ripened, remarks; nothing is lost.

Notes
-----
A note stands until another one replaces it, or withdraws it; no row is changed or taken away.
"""

import sqlite3
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

from api.season.plants import Kept, PlantError, plant
from controller.store.connection import transaction

SCHEMA = """
CREATE TABLE plant_note (
    id INTEGER PRIMARY KEY,
    plant INTEGER NOT NULL CHECK (plant > 0),
    kind TEXT NOT NULL CHECK (kind IN ('stage', 'damage', 'harvest', 'never')),
    day TEXT NOT NULL CHECK (day = date(day)),
    code INTEGER CHECK (code BETWEEN 0 AND 99),
    share_pct REAL CHECK (share_pct BETWEEN 0 AND 100),
    count INTEGER CHECK (count BETWEEN 0 AND 100000),
    grams REAL CHECK (grams BETWEEN 0 AND 1000000),
    crop TEXT CHECK (crop IN ('first', 'main')),
    words TEXT NOT NULL CHECK (length(words) <= 300),
    replaces INTEGER UNIQUE REFERENCES plant_note (id),
    withdrawn INTEGER NOT NULL CHECK (withdrawn IN (0, 1)),
    who TEXT NOT NULL,
    at_ms INTEGER NOT NULL CHECK (at_ms > 0),
    CHECK ((kind = 'stage') = (code IS NOT NULL)),
    CHECK ((kind = 'damage') = (share_pct IS NOT NULL)),
    CHECK (kind = 'harvest' OR (count IS NULL AND grams IS NULL)),
    CHECK (kind <> 'harvest' OR count IS NOT NULL OR grams IS NOT NULL),
    CHECK ((kind IN ('harvest', 'never')) = (crop IS NOT NULL))
) STRICT;
CREATE INDEX plant_note_day ON plant_note (plant, day);
CREATE TRIGGER plant_note_kept BEFORE UPDATE ON plant_note BEGIN SELECT RAISE(ABORT, 'notes are kept'); END;
CREATE TRIGGER plant_note_stays BEFORE DELETE ON plant_note BEGIN SELECT RAISE(ABORT, 'notes are kept'); END;
"""

REMARKS = f"""
DROP TRIGGER plant_note_kept;
DROP TRIGGER plant_note_stays;
DROP INDEX plant_note_day;
ALTER TABLE plant_note RENAME TO plant_note_before;
{SCHEMA.replace("'damage', 'harvest', 'never'", "'damage', 'harvest', 'never', 'remark'")}
INSERT INTO plant_note SELECT * FROM plant_note_before ORDER BY id;
DROP TABLE plant_note_before;
"""
"""A check cannot be altered in place, so the table is made anew with one kind of note more."""

TWICE_MS = 10_000
"""[ms] within which nobody fills in the same form with the same words again. Source: engineering judgement."""

_FIELDS = "kind, day, code, share_pct, count, grams, crop, words"


class Kind(StrEnum):
    """What a note says; `never` is a crop that did not ripen by the last day anybody looked, `remark` words alone."""

    STAGE = "stage"
    DAMAGE = "damage"
    HARVEST = "harvest"
    NEVER = "never"
    REMARK = "remark"


@dataclass(frozen=True, slots=True)
class Note:
    """One thing seen on one day (ISO 8601): a stage's code, damage [% of shoots], a harvest, none at all, or words."""

    kind: Kind
    day: str
    code: int | None = None
    share_pct: float | None = None
    count: int | None = None
    grams: float | None = None
    crop: str | None = None
    words: str = ""


def notes(connection: sqlite3.Connection, number: int | None = None) -> dict[int, tuple[Kept[Note], ...]]:
    """Return the notes that stand, by plant, newest day first; only one plant's if `number` is given."""
    rows = connection.execute(
        f"SELECT plant, id, who, at_ms, {_FIELDS} FROM plant_note AS n WHERE withdrawn = 0 "
        "AND (?1 IS NULL OR plant = ?1) AND NOT EXISTS (SELECT 1 FROM plant_note WHERE replaces = n.id) "
        "ORDER BY day DESC, id DESC",
        (number,),
    )
    found: dict[int, list[Kept[Note]]] = {}
    for row in rows:
        note = Note(Kind(row[4]), *row[5:])
        found.setdefault(row[0], []).append(Kept(row[1], note, row[2], row[3]))
    return {each: tuple(listed) for each, listed in found.items()}


@dataclass(frozen=True, slots=True)
class Gone:
    """A note that no longer stands: whether another stands in its place, and who ended it when [ms UTC]."""

    note: Kept[Note]
    corrected: bool
    who: str
    at_ms: int


def gone(connection: sqlite3.Connection, number: int) -> tuple[Gone, ...]:
    """Return a plant's notes that were corrected or withdrawn, the last ended first."""
    columns = ", ".join(f"n.{each}" for each in _FIELDS.split(", "))
    rows = connection.execute(
        f"SELECT n.id, n.who, n.at_ms, later.withdrawn, later.who, later.at_ms, {columns} FROM plant_note AS n "
        "JOIN plant_note AS later ON later.replaces = n.id WHERE n.plant = ? ORDER BY later.id DESC",
        (number,),
    )
    return tuple(
        Gone(Kept(row[0], Note(Kind(row[6]), *row[7:]), row[1], row[2]), not row[3], row[4], row[5]) for row in rows
    )


def put_note(
    connection: sqlite3.Connection, number: int, new: Note, who: str, at_ms: int, *, replaces: int | None = None
) -> int:
    """Keep a note on a plant, in place of another if `replaces` names one, and return its number.

    Raises
    ------
    PlantError
        If the plant is not known, or the note to be replaced does not stand.
    """
    with transaction(connection):
        plant(connection, number)
        if replaces is not None:
            _standing(connection, number, replaces, new.kind)
        return _write(connection, number, new, (replaces, 0, who, at_ms))


_WRITTEN = f"""SELECT id FROM plant_note AS n WHERE plant = ? AND ({_FIELDS}) IS (?, ?, ?, ?, ?, ?, ?, ?)
AND replaces IS ? AND withdrawn = 0 AND who = ? AND at_ms BETWEEN ? AND ?
AND NOT EXISTS (SELECT 1 FROM plant_note WHERE replaces = n.id)"""


def put_once(
    connection: sqlite3.Connection, number: int, new: Note, who: str, at_ms: int, *, replaces: int | None = None
) -> int:
    """Keep a note as `put_note` does, unless the same person just wrote the same: a button tapped twice sends two."""
    just = (number, *_values(new), replaces, who, at_ms - TWICE_MS + 1, at_ms)
    written = connection.execute(_WRITTEN, just).fetchone()
    return int(written[0]) if written else put_note(connection, number, new, who, at_ms, replaces=replaces)


def withdraw(connection: sqlite3.Connection, number: int, note: int, who: str, at_ms: int) -> None:
    """Say that a note was a mistake; its row stays.

    Raises
    ------
    PlantError
        If it does not stand.
    """
    with transaction(connection):
        _write(connection, number, _standing(connection, number, note), (note, 1, who, at_ms))


def _write(connection: sqlite3.Connection, number: int, new: Note, kept: Iterable[object]) -> int:
    done = connection.execute(
        f"INSERT INTO plant_note (plant, {_FIELDS}, replaces, withdrawn, who, at_ms) "
        "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (number, *_values(new), *kept),
    )
    return int(done.lastrowid or 0)


def _values(new: Note) -> tuple[object, ...]:
    return new.kind.value, new.day, new.code, new.share_pct, new.count, new.grams, new.crop, new.words


def _standing(connection: sqlite3.Connection, number: int, note: int, kind: Kind | None = None) -> Note:
    for each in notes(connection, number).get(number, ()):
        if each.number == note and kind in (None, each.what.kind):
            return each.what
    said = "note" if kind is None else f"{kind.value} note"
    raise PlantError(f"{said} {note} does not stand on plant {number}; look again, somebody may have corrected it")
