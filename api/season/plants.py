"""Plants: kept for ever, with who wrote it and when.

Notes
-----
No row is changed or taken away. A plant is what its newest row says.
"""

import sqlite3
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Generic, TypeVar

from api.season.bbch import Scale
from controller.errors import SoilwardError
from controller.store.connection import transaction

SCHEMA = """
CREATE TABLE plant (
    id INTEGER PRIMARY KEY,
    plant INTEGER NOT NULL CHECK (plant > 0),
    name TEXT NOT NULL CHECK (length(name) BETWEEN 1 AND 40),
    cultivar TEXT NOT NULL CHECK (length(cultivar) BETWEEN 1 AND 60),
    place TEXT NOT NULL CHECK (length(place) <= 60),
    enclosure TEXT CHECK (length(enclosure) BETWEEN 1 AND 40),
    protection TEXT NOT NULL CHECK (length(protection) BETWEEN 1 AND 30),
    stands TEXT NOT NULL CHECK (stands IN ('ground', 'container')),
    planted INTEGER CHECK (planted BETWEEN 1800 AND 9999),
    scale TEXT NOT NULL CHECK (scale IN ('fig', 'general')),
    active INTEGER NOT NULL CHECK (active IN (0, 1)),
    who TEXT NOT NULL,
    at_ms INTEGER NOT NULL CHECK (at_ms > 0)
) STRICT;
CREATE INDEX plant_newest ON plant (plant, id);
CREATE TRIGGER plant_kept BEFORE UPDATE ON plant BEGIN SELECT RAISE(ABORT, 'plants are kept'); END;
CREATE TRIGGER plant_stays BEFORE DELETE ON plant BEGIN SELECT RAISE(ABORT, 'plants are kept'); END;
"""


T = TypeVar("T")


class Protection(StrEnum):
    """How a plant is kept from frost."""

    HEATED_TUNNEL = "tunnel with heat"
    TUNNEL = "tunnel without heat"
    GLASSHOUSE = "glasshouse"
    STORE = "winter store"
    WRAPPED = "wrapped"
    OPEN = "open"


@dataclass(frozen=True, slots=True)
class Plant:
    """One plant as it is known now.

    Parameters
    ----------
    name
        What people call it; no two have the same.
    enclosure
        What it shares with others; None outside all of them.
    stands
        "ground" or "container".
    planted
        The year; None if nobody knows.
    active
        Whether it is still watched.
    """

    name: str
    cultivar: str
    place: str
    enclosure: str | None
    protection: Protection
    stands: str
    planted: int | None
    scale: Scale
    active: bool = True


@dataclass(frozen=True, slots=True)
class Kept(Generic[T]):
    """A row with its number, who wrote it and when [ms UTC]."""

    number: int
    what: T
    who: str
    at_ms: int


class PlantError(SoilwardError):
    """A plant or note that cannot be kept as asked."""


_FIELDS = "name, cultivar, place, enclosure, protection, stands, planted, scale, active"


def plants(connection: sqlite3.Connection) -> tuple[Kept[Plant], ...]:
    """Return every plant as its newest row has it, those still watched first, by name."""
    rows = connection.execute(
        f"SELECT plant, who, at_ms, {_FIELDS} FROM plant WHERE id IN (SELECT max(id) FROM plant GROUP BY plant) "
        "ORDER BY active DESC, name"
    ).fetchall()
    return tuple(map(_kept, rows))


def past(connection: sqlite3.Connection) -> dict[int, tuple[Kept[Plant], ...]]:
    """Return all that was ever true of each plant, by its number, the newest first."""
    found: dict[int, list[Kept[Plant]]] = {}
    for row in connection.execute(f"SELECT plant, who, at_ms, {_FIELDS} FROM plant ORDER BY id DESC"):
        found.setdefault(row[0], []).append(_kept(row))
    return {number: tuple(rows) for number, rows in found.items()}


def plant(connection: sqlite3.Connection, number: int) -> Kept[Plant]:
    """Return one plant.

    Raises
    ------
    PlantError
        If there is none of that number.
    """
    found = _newest(connection, "plant = ?", number)
    if found is None:
        raise PlantError(f"plant {number} is not known; the list of plants has the numbers")
    return found


def named(connection: sqlite3.Connection, name: str) -> Kept[Plant] | None:
    """Return the plant that has a name now, or None."""
    return _newest(connection, "name = ?", name)


def _newest(connection: sqlite3.Connection, where: str, value: object) -> Kept[Plant] | None:
    row = connection.execute(
        f"SELECT plant, who, at_ms, {_FIELDS} FROM plant AS p WHERE {where} "
        "AND id = (SELECT max(id) FROM plant WHERE plant = p.plant)",
        (value,),
    ).fetchone()
    return None if row is None else _kept(row)


def put_plant(connection: sqlite3.Connection, new: Plant, who: str, at_ms: int, number: int | None = None) -> int:
    """Keep a plant, or what is true of it now, and return its number.

    Raises
    ------
    PlantError
        If another one has the name, or none has the number.
    """
    with transaction(connection):
        if number is not None:
            plant(connection, number)
        other = named(connection, new.name)
        if other is not None and other.number != number:
            raise PlantError(f"plant {new.name!r} is there already, as number {other.number}; choose another name")
        number = number or connection.execute("SELECT coalesce(max(plant), 0) + 1 FROM plant").fetchone()[0]
        values = (number, who, at_ms, new.name, new.cultivar, new.place, new.enclosure, new.protection.value)
        more = (new.stands, new.planted, new.scale.value, int(new.active))
        connection.execute(
            f"INSERT INTO plant (plant, who, at_ms, {_FIELDS}) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (*values, *more),
        )
        return int(number)


def _kept(row: tuple[Any, ...]) -> Kept[Plant]:
    return Kept(row[0], _plant(row[3:]), row[1], row[2])


def _plant(row: tuple[object, ...]) -> Plant:
    name, cultivar, place, enclosure, protection, stands, planted, scale, active = row
    return Plant(
        str(name),
        str(cultivar),
        str(place),
        None if enclosure is None else str(enclosure),
        Protection(str(protection)),
        str(stands),
        planted if isinstance(planted, int) else None,
        Scale(str(scale)),
        bool(active),
    )
