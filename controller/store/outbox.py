"""What the store elsewhere has not got yet. The record itself is the outbox: only how far it was sent is kept."""

import sqlite3
from contextlib import closing
from pathlib import Path

from controller.errors import StoreError
from controller.store.batch import MOST_OTHERS, Batch
from controller.store.connection import open_reader, open_writer, transaction
from controller.store.damage import named
from controller.store.journal import after
from controller.store.migrations import OUTBOX
from controller.store.points import Points
from controller.store.told import Told
from controller.store.unsent_readings import UnsentReadings
from controller.store.unsent_runs import UnsentRuns


class Outbox:
    """Reads the record of one folder and keeps, in `outbox.db`, how far it was sent.

    Raises
    ------
    StoreError
        If another sender holds the file.
    """

    def __init__(self, folder: Path, points: Points) -> None:
        self._folder, self._points = folder, points
        self._own = open_writer(folder / "outbox.db", OUTBOX)
        self._sent: dict[str, int] = dict(self._own.execute("SELECT line, reached FROM cursor").fetchall())

    def next(self) -> Batch | None:
        """Return what goes next, or None when all is sent. The record is only read."""
        file = self._folder / "readings.db"
        with named(file), closing(open_reader(file)) as record:
            # One snapshot for all of it: what is committed meanwhile is either after the cursors or noted as late.
            record.execute("BEGIN")
            name, newest_ms = record.execute(_RECORD).fetchone()
            batch = Batch(self._sent, str(name), newest_ms)
            UnsentReadings(record, self._points, batch).take()
            UnsentRuns(record, self._points, batch).take()
        try:
            self._journal(batch)
        except StoreError as error:
            # A damaged journal, with which nothing heats, keeps no reading back.
            if not batch.cursors:
                raise
            batch.trouble = str(error)
        return batch if batch.cursors or batch.trouble else None

    def _journal(self, batch: Batch) -> None:
        file = self._folder / "journal.db"
        with named(file), closing(open_reader(file)) as record:
            line = _journal_line(record)
            reached = batch.counted(record, line, "journal", "at_ms")
            for entry in batch.some(after(record, reached, MOST_OTHERS), MOST_OTHERS):
                batch.points.append(self._points.entry(entry))
                batch.count(line, entry.sequence, entry.at_ms)

    def done(self, batch: Batch) -> None:
        """Note that a batch has arrived. Killed before this, it is sent again: same stamps and tags, no point more."""
        with transaction(self._own):
            self._own.executemany(
                "INSERT INTO cursor (line, reached) VALUES (?, ?) "
                "ON CONFLICT (line) DO UPDATE SET reached = excluded.reached",
                batch.cursors.items(),
            )
        self._sent.update(batch.cursors)

    def tell(self, told: Told) -> None:
        """Leave word of how sending fares, for pages and metrics."""
        self._own.execute(
            "INSERT INTO told (id, at_ms, oldest_ms, sent, refused, trouble) VALUES (1, ?, ?, ?, ?, ?) "
            "ON CONFLICT (id) DO UPDATE SET at_ms = excluded.at_ms, oldest_ms = excluded.oldest_ms, "
            "sent = excluded.sent, refused = excluded.refused, trouble = excluded.trouble",
            (told.at_ms, told.oldest_ms, told.sent, told.refused, told.trouble),
        )

    def close(self) -> None:
        """Let the file go."""
        self._own.close()


def _journal_line(journal: sqlite3.Connection) -> str:
    """Return the name of this journal's line: by its first entry, for one begun anew counts from 1 again."""
    first = journal.execute("SELECT hash FROM journal WHERE sequence = 1").fetchone()
    return f"journal/{first[0] if first else ''}"


_RECORD = """SELECT record, max((SELECT coalesce(max(newest_ms), 0) FROM probe),
(SELECT coalesce(max(taken_most_ms), 0) FROM tail)) FROM identity"""
