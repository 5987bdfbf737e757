"""The forwarder's last word, as pages and metrics read it without loading what it sends with."""

import sqlite3
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path

from controller.errors import StoreError
from controller.store.connection import open_reader


@dataclass(frozen=True, slots=True)
class Told:
    """How sending fares: since when [ms UTC] the record is unsent (None: all sent), points sent, what is wrong."""

    at_ms: int
    oldest_ms: int | None
    sent: int
    refused: int
    trouble: str


def told(folder: Path) -> Told | None:
    """Return the sender's last word, or None where there is no sender."""
    if not (folder / "outbox.db").exists():
        return None
    with suppress(StoreError, sqlite3.Error), closing(open_reader(folder / "outbox.db")) as connection:
        row = connection.execute("SELECT at_ms, oldest_ms, sent, refused, trouble FROM told").fetchone()
        return None if row is None else Told(*row)
    return None
