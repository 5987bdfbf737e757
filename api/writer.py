"""One writing connection per database file, on its own thread, and one beside it that only reads."""

import logging
import sqlite3
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from typing import Concatenate, ParamSpec, TypeVar

from controller.clock import Clock
from controller.standing import FILE, last_answered
from controller.store import requests
from controller.store.connection import open_reader, open_writer
from controller.store.damage import DamagedError, is_damage, requests_aside
from controller.store.migrations import REQUESTS

_LOG = logging.getLogger("soilward.api")

P = ParamSpec("P")
T = TypeVar("T")


class Writer:
    """The one writer of one file; any thread may ask it, it works in turn.

    Parameters
    ----------
    path
        The SQLite file; made if it is not there.
    migrations
        Numbered, forward only.

    Raises
    ------
    StoreError
        If the file cannot be opened, is newer than this program, or is held by another.
    """

    def __init__(self, path: Path, migrations: tuple[str, ...]) -> None:
        self._name = path.name
        self._thread = ThreadPoolExecutor(1, thread_name_prefix=f"writer of {path.name}")
        self._looking = ThreadPoolExecutor(1, thread_name_prefix=f"reader of {path.name}")
        try:
            self._connection = self._thread.submit(open_writer, path, migrations).result()
            self._reader = self._looking.submit(open_reader, path).result()
        except BaseException:
            self._thread.shutdown()
            self._looking.shutdown()
            raise

    def do(self, work: Callable[Concatenate[sqlite3.Connection, P], T], *args: P.args, **kwargs: P.kwargs) -> T:
        """Run `work(connection, ...)` on the writing thread and wait for what it returns; names a damaged file."""
        return self._done(self._thread.submit(work, self._connection, *args, **kwargs))

    def look(self, work: Callable[Concatenate[sqlite3.Connection, P], T], *args: P.args, **kwargs: P.kwargs) -> T:
        """Run `work(connection, ...)` on what is committed, without waiting for whatever is being written."""
        return self._done(self._looking.submit(work, self._reader, *args, **kwargs))

    def _done(self, asked: Future[T]) -> T:
        try:
            return asked.result()
        except sqlite3.DatabaseError as error:
            if is_damage(error):
                raise DamagedError(self._name) from error
            raise

    def close(self) -> None:
        """Finish what was asked and close the file."""
        self._looking.submit(self._reader.close).result()
        self._looking.shutdown()
        self._thread.submit(self._connection.close).result()
        self._thread.shutdown()


def open_requests(folder: Path) -> Writer:
    """Open the file of requests as its writer.

    It counts on from the last that was answered: one begun anew, or put back from a backup, would count from less, and
    the controller would take each request, a stop as well, for one that it has answered. So a damaged one is begun
    anew: its answers stand in the journal, and without it there would be neither pages nor, after a minute, heat.
    """
    aside = requests_aside(folder, Clock().now().utc_ms)
    if aside is not None:
        _LOG.error("requests.db was damaged; it is set aside as %s, and a new one is begun", aside.name)
    writer = Writer(folder / "requests.db", REQUESTS)
    try:
        writer.do(requests.count_on_from, last_answered(folder / FILE))
    except BaseException:
        writer.close()
        raise
    return writer
