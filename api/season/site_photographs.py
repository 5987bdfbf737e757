"""Photographs of this site: taken, given, removed; who may is decided at the door."""

import sqlite3
from collections.abc import Callable
from pathlib import Path

from api.people import Person
from api.season import picture_files
from api.season.photographs import (
    is_shared,
    photograph,
    put_photograph,
    put_removed,
)
from api.season.picture import picture_of
from api.season.plant_notes import Note, put_once
from api.season.plants import PlantError
from api.season.site_plants import check_seen
from api.state import State
from controller.store.connection import transaction

WITHOUT_WORDS = "photograph"
"""What a remark says that has a photograph and no words."""


def keep_with_photograph(
    state: State, person: Person, number: int, new: Note, content: bytes, replaces: int | None = None
) -> int:
    """Keep what was seen on a plant together with a photograph of it, both or neither; return the note's number.

    Raises
    ------
    PlantError
        Naming what cannot be kept.
    """
    check_seen(state, number, new)
    at_ms = state.clock.now().utc_ms
    return _keep(
        state, person, number, content, lambda on: put_once(on, number, new, person.name, at_ms, replaces=replaces)
    )[0]


def add_photograph(state: State, person: Person, number: int, note: int, content: bytes) -> int:
    """Keep a photograph on a note that stands; return its number.

    Raises
    ------
    PlantError
        Naming what cannot be kept.
    """
    return _keep(state, person, number, content, lambda on: note)[1]


def _keep(
    state: State, person: Person, number: int, content: bytes, note_of: Callable[[sqlite3.Connection], int]
) -> tuple[int, int]:
    """Keep a photograph on the note that `note_of` gives; return the note's number and its own."""
    picture, at_ms = picture_of(content), state.clock.now().utc_ms

    def keep(connection: sqlite3.Connection, laid: picture_files.Laid) -> tuple[int, int]:
        with transaction(connection):
            note = note_of(connection)
            kept = put_photograph(connection, (number, note), picture, person.name, at_ms)
            laid.settle()
        return note, kept

    with picture_files.laid(state.folder, picture) as laid:
        return state.season.do(keep, laid)


def remove_photograph(state: State, person: Person, number: int) -> None:
    """Remove a photograph; its files go unless another one has the same.

    Raises
    ------
    PlantError
        If it is not there, or the disk does not let go of it.
    """
    who, at_ms, folder = person.name, state.clock.now().utc_ms, state.folder

    def remove(connection: sqlite3.Connection) -> None:
        with transaction(connection):
            name = photograph(connection, number).what.name
            # The files first: a picture that somebody wanted gone must not outlive its row.
            if not is_shared(connection, name):
                picture_files.take_away(folder, name)
            put_removed(connection, number, who, at_ms)

    state.season.do(remove)


def file_of(state: State, number: int, *, small: bool) -> tuple[Path, str]:
    """Return where a photograph lies, and the name of its content.

    Raises
    ------
    PlantError
        If it is not there, or its file is not.
    """
    with state.reading("season.db") as connection:
        name = photograph(connection, number).what.name
    path = picture_files.path_of(state.folder, name, small=small)
    if not path.is_file():
        raise PlantError(f"photograph {number}: its file is not there; put back a backup of the folder, or remove it")
    return path, name
