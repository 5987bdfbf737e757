"""What people asked since the last look, read from the file the API writes."""

import logging
import sqlite3
from contextlib import closing
from pathlib import Path

from controller.errors import StoreError
from controller.safety import limits
from controller.store import requests
from controller.store.connection import open_reader
from controller.store.requests import Request

log = logging.getLogger("soilward.service")


class Asked:
    """The requests file, read forward.

    Parameters
    ----------
    answered
        Id of the last request that every enclosure has behind it.
    """

    def __init__(self, folder: Path, answered: int) -> None:
        self._file, self._seen = folder / "requests.db", answered
        self._failing_s: float | None = None

    def fault(self, now_s: float) -> str:
        """Say what is wrong if nobody could be heard for a minute: heat that nobody can end must end by itself."""
        if self._failing_s is None or now_s - self._failing_s <= limits.UNRECORDED_S:
            return ""
        return "what people ask cannot be read"

    def poll(self, now_s: float) -> list[Request]:
        """Return what is new, oldest first; a file that cannot be read now is read at the next look."""
        if not self._file.exists():
            return []
        try:
            with closing(open_reader(self._file)) as connection:
                asked = requests.after(connection, self._seen)
        except (StoreError, sqlite3.Error) as error:
            if self._failing_s is None:
                self._failing_s = now_s
                log.warning("requests cannot be read: %s", error)
            return []
        self._failing_s = None
        self._seen = max((each.id for each in asked), default=self._seen)
        return asked
