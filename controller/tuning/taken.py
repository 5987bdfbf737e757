"""The model a person adopted, as the planner finds it in the journal."""

import sqlite3
from contextlib import closing
from pathlib import Path

from controller.control.thermal import ThermalModel
from controller.errors import StoreError
from controller.store import journal
from controller.store.connection import open_reader
from controller.store.plans import Learnt
from controller.tuning.adoption import UnfitError, adopted, likely_of


def adopted_since(folder: Path, enclosure: str, since_ms: int, geometry: ThermalModel) -> Learnt | None:
    """Return the model last adopted after an instant [ms UTC], or None.

    What cannot be read or no longer keeps its bounds is not taken: the planner goes on with what it has.
    """
    try:
        with closing(open_reader(folder / "journal.db")) as connection:
            answers = journal.read(connection, enclosure, "answer", since_ms + 1)
    except (StoreError, sqlite3.Error, ValueError):
        return None
    for entry in answers:
        given = entry.body.get("arguments")
        if entry.body.get("asked") == "adopt" and entry.body.get("outcome") == "done" and isinstance(given, dict):
            try:
                return Learnt(entry.at_ms, adopted(geometry, given.get("figures")), likely_of(given.get("likely")))
            except UnfitError:
                return None
    return None
