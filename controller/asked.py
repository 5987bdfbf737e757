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
        By enclosure, the id of the last request that it had answered when we started.
    """

    def __init__(self, folder: Path, answered: dict[str, int]) -> None:
        self._file, self._answered = folder / "requests.db", answered
        self._seen, self._newest = min(answered.values(), default=0), max(answered.values(), default=0)
        self._failing_s: float | None = None

    def fault(self, now_s: float) -> str:
        """Say what is wrong if nobody could be heard for a minute: heat that nobody can end must end by itself."""
        if self._failing_s is None or now_s - self._failing_s <= limits.UNRECORDED_S:
            return ""
        return "what people ask cannot be read; start Soilward anew, or look at requests.db"

    def poll(self, now_s: float) -> list[Request]:
        """Return all that is new, oldest first; a file that cannot be read now is read at the next look.

        Of what was answered in an earlier life nothing: a stop must not wait behind years of it (hazard A08).
        """
        if not self._newest and not self._file.exists():
            return []
        asked, seen = list[Request](), self._seen
        try:
            with closing(open_reader(self._file)) as connection:
                newest = requests.newest(connection)
                if newest < self._newest:
                    # What is filed elsewhere, or by numbers that count as answered, would never be heard.
                    raise StoreError(
                        f"{self._file}: is another file, whose numbers end at {newest} and not at {self._newest}"
                    )
                while more := requests.after(connection, seen):
                    seen = more[-1].id
                    asked += [each for each in more if each.id > self._answered.get(each.enclosure, seen)]
        except (StoreError, sqlite3.Error) as error:
            if self._failing_s is None:
                self._failing_s = now_s
                log.warning("requests cannot be read: %s", error)
            return []
        self._failing_s, self._seen, self._newest = None, seen, newest
        return asked
