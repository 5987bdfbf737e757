"""The file of readings and runs as its one writer keeps it: written, packed in time, begun anew where damaged."""

import logging
import sqlite3
from collections.abc import Callable, Sequence
from pathlib import Path

from controller.clock import Clock, Moment
from controller.errors import StoreError
from controller.store import runs
from controller.store.connection import BUSY_MS, open_writer, transaction
from controller.store.damage import is_damage, set_aside
from controller.store.keeping import Keeping
from controller.store.lane import RETRY_S, RefusedItemsError
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
TIDY_AGAIN_S = 60.0
"""[s] until what the disk did not take is packed again, all of it anew. Source: engineering judgement."""
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

    `shut_since_s` is since when [s monotonic] no file is open, for want of one in place of a damaged one; mostly None.
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
        self.shut_since_s: float | None = None
        self._damaged_ms: int | None = None
        self._keeping: Keeping | None = None
        self._tidy_s = float("-inf")

    def write(self, _: sqlite3.Connection, works: Sequence[Work]) -> int:
        """Write readings, receipts and runs in one transaction; returns how many readings were new.

        Raises
        ------
        RefusedItemsError
            If a reading can never be kept; nothing is written then, and nothing that is being packed is given up.
        """
        self._open_again()
        try:
            keeping = self._kept()
            _refuse_impossible(keeping, works)
            self._keeping = None
            new = _write(self.connection, keeping, works)
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
        was_shut, failed = self.shut_since_s is not None, False
        try:
            self._open_again()
            self._tidy_piece(now, idle=idle)
        except (sqlite3.Error, OSError, StoreError) as error:
            self._keeping, failed = None, True
            if not was_shut:
                _log.warning("the record was not tidied", extra={"error": str(error)})
        done_s = self._clock.now().mono_s
        if failed:
            self._tidy_s = done_s + (TIDY_AGAIN_S if self.shut_since_s is None else RETRY_S)
            return
        rest_s = max(PIECE_S, REST * (done_s - now.mono_s)) if self._is_packing else TIDY_S
        self._tidy_s = done_s + min(rest_s, TIDY_S)

    def _tidy_piece(self, now: Moment, *, idle: bool) -> None:
        try:
            if not self._kept().pack(now.utc_ms) and idle and self._retention is not None:
                self._retention.step(self.connection, now.mono_s, now.utc_ms)
        except (sqlite3.Error, StoreError) as error:
            if not is_damage(error):
                raise
            self._begin_anew()

    def _kept(self) -> Keeping:
        if self._keeping is None:
            self._keeping = Keeping(self.connection)
        return self._keeping

    def _begin_anew(self) -> None:
        now = self._clock.now()
        self.shut_since_s, self._damaged_ms, self._keeping = now.mono_s, now.utc_ms, None
        self._open_again()

    def _open_again(self) -> None:
        """Begin anew if that is owed: set the damaged file aside, once, tell of it, and open another.

        Raises
        ------
        OSError
            If the disk does not take that; it is owed still.
        """
        if self.shut_since_s is None:
            return
        try:
            self.connection.close()
            if self._damaged_ms is not None:
                aside, self._damaged_ms = set_aside(self._path, self._damaged_ms), None
                self._tell_damage(aside)
            self.connection = open_writer(self._path, READINGS, busy_ms=self._busy_ms)
        except StoreError as error:
            # The disk is to blame, none of the items that wait: a lane would refuse those, one by one.
            raise OSError(str(error)) from error
        self.shut_since_s = None


def _refuse_impossible(keeping: Keeping, works: Sequence[Work]) -> None:
    refused, rest = list[tuple[object, Exception]](), list[Work]()
    for work in works:
        fault = keeping.fault_of(work) if isinstance(work, StoredReading) else None
        if fault is None:
            rest.append(work)
        else:
            refused.append((work, fault))
    if refused:
        raise RefusedItemsError(refused, rest)


def _write(connection: sqlite3.Connection, keeping: Keeping, works: Sequence[Work]) -> int:
    readings = [work for work in works if isinstance(work, StoredReading)]
    receipts = [work for work in works if isinstance(work, Receipt)]
    with transaction(connection):
        new = keeping.add(readings, receipts)
        for work in works:
            if not isinstance(work, StoredReading | Receipt):
                runs.apply(connection, work)
        return new
