"""The file of readings and runs as its one writer keeps it: written, packed in time, begun anew where damaged."""

import logging
import sqlite3
from collections.abc import Callable, Sequence
from pathlib import Path

from controller.clock import Clock
from controller.errors import StoreError
from controller.store import runs
from controller.store.connection import BUSY_MS, open_writer, transaction
from controller.store.damage import is_damage, set_aside
from controller.store.keeping import Keeping
from controller.store.migrations import READINGS
from controller.store.readings import StoredReading
from controller.store.receipts import Receipt
from controller.store.retention import Retention
from controller.store.runs import RunEvent

Work = StoredReading | Receipt | RunEvent

_log = logging.getLogger(__name__)

TIDY_S, PIECE_S = 0.25, 0.04
"""[s] between two looks at what is to be packed or taken away, and between two pieces of what is being packed, so that
neither crowds out what waits. Source: engineering judgement."""
REST = 9
"""Times what a piece took, until the next one, within these bounds. To roll up the day of twelve thousand probes then
takes a tenth of the processor's time, not a quarter, from the loop. Source: engineering judgement."""


class Record:
    """Owns one `readings.db`. Used by one thread at a time.

    Parameters
    ----------
    tell_damage
        Told where a damaged file was set aside.
    retention
        Takes away what is too old, or None to keep all.

    Raises
    ------
    StoreError
        If the file cannot be opened, is newer than this program, or has a writer.
    """

    def __init__(
        self,
        path: Path,
        clock: Clock,
        tell_damage: Callable[[Path], None],
        retention: Retention | None = None,
        *,
        busy_ms: int = BUSY_MS,
    ) -> None:
        self._path, self._clock, self._busy_ms = path, clock, busy_ms
        self._retention, self._tell_damage = retention, tell_damage
        self.connection = open_writer(path, READINGS, busy_ms=busy_ms)
        self._keeping: Keeping | None = None
        self._tidy_s = float("-inf")

    def write(self, connection: sqlite3.Connection, works: Sequence[Work]) -> int:
        """Write readings, receipts and runs in one transaction; returns how many readings were new."""
        try:
            keeping, self._keeping = self._kept(), None
            new = _write(connection, keeping, works)
        except (sqlite3.Error, StoreError) as error:
            if not is_damage(error):
                raise
            self._begin_anew()
            return _write(self.connection, self._kept(), works)
        # Only now: what it remembers of a batch that failed is not to be relied on.
        self._keeping = keeping
        return new

    def forget(self) -> None:
        """Rely on nothing but the file: a transaction that `write` was part of did not reach it."""
        self._keeping = None

    @property
    def due_s(self) -> float | None:
        """When [s monotonic] the next piece of what is being packed is due; None if nothing is."""
        return self._tidy_s if self._is_packing else None

    @property
    def _is_packing(self) -> bool:
        return self._keeping is not None and self._keeping.is_packing

    def tidy(self, *, idle: bool) -> None:
        """Pack a piece of what is due; or, where nothing waits, take away a little of what is too old."""
        now = self._clock.now()
        if now.mono_s < self._tidy_s:
            return
        try:
            if not self._kept().pack(now.utc_ms) and idle and self._retention is not None:
                self._retention.step(self.connection, now.mono_s, now.utc_ms)
        except (sqlite3.Error, StoreError) as error:
            self._keeping = None
            if is_damage(error):
                self._begin_anew()
            else:
                _log.warning("the record was not tidied", extra={"error": str(error)})
        done_s = self._clock.now().mono_s
        rest_s = max(PIECE_S, REST * (done_s - now.mono_s)) if self._is_packing else TIDY_S
        self._tidy_s = done_s + min(rest_s, TIDY_S)

    def _kept(self) -> Keeping:
        if self._keeping is None:
            self._keeping = Keeping(self.connection)
        return self._keeping

    def _begin_anew(self) -> None:
        self.connection.close()
        aside = set_aside(self._path, self._clock.now().utc_ms)
        self.connection = open_writer(self._path, READINGS, busy_ms=self._busy_ms)
        self._tell_damage(aside)


def _write(connection: sqlite3.Connection, keeping: Keeping, works: Sequence[Work]) -> int:
    readings = [work for work in works if isinstance(work, StoredReading)]
    receipts = [work for work in works if isinstance(work, Receipt)]
    with transaction(connection):
        new = keeping.add(readings, receipts)
        for work in works:
            if not isinstance(work, StoredReading | Receipt):
                runs.apply(connection, work)
        return new
