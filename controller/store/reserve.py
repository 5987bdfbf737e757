"""Room kept for the journal: when the disk is full, what happened must still be written."""

import logging
import os
from contextlib import suppress
from pathlib import Path

FILE = "reserve"
BYTES = 1_048_576
"""[byte] thousands of journal entries. Source: engineering judgement."""
ROOM_BYTES = 4 * BYTES
"""[byte] free space from which the reserve is taken again."""
LOOKS_EVERY_S, LOOKS_AGAIN_S = 60.0, 5.0
"""[s] between two looks while it is held, and while it is given up."""

OPENING_BYTES = BYTES // 4
"""[byte] free space that opening the databases and a first entry may take. Source: engineering judgement."""

_log = logging.getLogger(__name__)


def make_room(folder: Path) -> None:
    """Give the reserve up where there is not even room to open the databases: nobody would say what is wrong."""
    with suppress(OSError):
        if _free(folder) < OPENING_BYTES:
            (folder / FILE).unlink(missing_ok=True)


def _free(folder: Path) -> int:
    """Return how much room is left [byte]."""
    disk = os.statvfs(folder)
    return disk.f_bavail * disk.f_frsize


class Reserve:
    """A file of no content in the folder; given up when the journal finds no room, taken again when there is some.

    While it is `given_up` its room is the journal's alone: no reading may be written. It is so from the start where it
    is missing and there is no room to take it: it was given up before a restart.
    """

    def __init__(self, folder: Path) -> None:
        self._file = folder / FILE
        self._looked_s = float("-inf")
        self.given_up = not self._file.exists() and not self.has_room()

    def has_room(self) -> bool:
        """Whether the disk has room for more than the reserve."""
        return _free(self._file.parent) >= ROOM_BYTES

    def look(self, now_s: float) -> None:
        """Take the reserve if it is not held and the disk has room; seldom, and never at the price of a failure."""
        if now_s - self._looked_s < (LOOKS_AGAIN_S if self.given_up else LOOKS_EVERY_S):
            return
        self._looked_s = now_s
        try:
            if not (self._file.exists() and self._file.stat().st_size == BYTES):
                if not self.has_room():
                    return
                with self._file.open("wb") as file:
                    # Written, not merely declared long: a hole in a file holds no room.
                    file.write(os.urandom(BYTES))
                    file.flush()
                    os.fsync(file.fileno())
            self.given_up = False
        except OSError as error:
            with suppress(OSError):
                self._file.unlink(missing_ok=True)
            _log.warning("no reserve for the journal", extra={"error": str(error)})

    def is_wanted(self, fault: Exception | None) -> bool:
        """Whether a file failed for want of room (`fault` is SQLite's word); one damaged or locked, none would help."""
        with suppress(OSError):
            return getattr(fault, "sqlite_errorname", "") == "SQLITE_FULL" or not self.has_room()
        return False

    def give_up(self) -> bool:
        """Free the room; False if there was none to free."""
        try:
            self._file.unlink()
        except OSError:
            return False
        self.given_up = True
        _log.error("the disk takes no entry: the reserve for the journal is given up")
        return True
