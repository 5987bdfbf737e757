"""A lane: what waits for one database, kept until it is on disk."""

import logging
import sqlite3
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import islice
from threading import Condition
from typing import Any, Generic, NamedTuple, Protocol, TypeVar

from controller.errors import StoreError
from controller.store.connection import transaction

Work = TypeVar("Work")

RETRY_S = 1.0
"""[s] between tries on a failing disk."""

HUNG_S = 10.0
"""[s] an item may wait before its lane counts as failing: a disk that hangs raises nothing. Engineering judgement."""

MOST_AT_ONCE = 2000
"""Items in one commit; bounds how long a commit takes when catching up."""

MOST_TOLD = 100
"""Reasons for leaving an item out that are told once and no more, the newest. Source: engineering judgement."""

_UNWRITABLE = (sqlite3.IntegrityError, sqlite3.DataError, StoreError, ValueError, TypeError, OverflowError)
_FAILING = (sqlite3.Error, OSError)

_log = logging.getLogger(__name__)


class RefusedItemsError(StoreError):
    """Items that can never be kept, each with why, found before anything was written; and the rest of them."""

    def __init__(self, refused: Sequence[tuple[object, Exception]], rest: Sequence[Any]) -> None:
        super().__init__("; ".join(str(cause) for _, cause in refused))
        self.refused, self.rest = refused, rest


class _Waiting(NamedTuple, Generic[Work]):
    put_s: float
    work: Work | None
    done: Callable[[], None] | None
    soon: bool


@dataclass(frozen=True, slots=True)
class Patience:
    """When to commit: where `enough` acknowledgements wait, or as many items as one commit holds (of a backlog hundreds
    come in one message), or `wait_s` [s] after the first item; at most `bound` wait.

    `rest_s` [s] lies between two commits when nothing is urgent and less than enough waits: a memory card writes whole
    pages, however little they hold.
    """

    enough: int
    wait_s: float
    bound: int
    rest_s: float = 0.0


class Open(Protocol):
    """A database that is open for writing; where it is begun anew, the connection is another one."""

    connection: sqlite3.Connection


@dataclass(slots=True)
class Opened:
    """A database that stays the one it is."""

    connection: sqlite3.Connection


class Lane(Generic[Work]):
    """A bounded line of work for one connection.

    `put` may be called from any thread; `commit` from one. An item leaves the line only after the commit that holds it.

    Parameters
    ----------
    write
        Writes items in one transaction and returns how many rows were new.
    lock
        Guards the line; notified when the next commit may have come nearer.

    `fault` is what the disk said to the last try, None if it took it; `refusal` the newest reason why an item was left
    out, or "".
    """

    def __init__(
        self,
        file: Open,
        write: Callable[[sqlite3.Connection, Sequence[Work]], int],
        patience: Patience,
        lock: Condition,
    ) -> None:
        self.file = file
        self.commits = 0
        self.new_rows = 0
        self.refused, self.refusal = 0, ""
        self._told: deque[str] = deque(maxlen=MOST_TOLD)
        self._write = write
        self._patience = patience
        self._lock = lock
        self._line: deque[_Waiting[Work]] = deque()
        self.fault: Exception | None = None
        self._failing_since_s: float | None = None
        self._oldest_s: float | None = None
        self._next_try_s = float("-inf")
        self._rested_s = float("-inf")
        self._soon_s: float | None = None
        self._owed = 0

    def __len__(self) -> int:
        return len(self._line)

    def put(self, work: Work | None, done: Callable[[], None] | None, now_s: float, *, soon: bool = False) -> bool:
        """Join the line; False if it is full. Never waits for the disk. What is wanted `soon` waits for no rest."""
        with self._lock:
            if len(self._line) >= self._patience.bound:
                return False
            if not self._line:
                self._oldest_s = now_s
            self._line.append(_Waiting(now_s, work, done, soon))
            # What joins others brings the next commit no nearer, but for these: the writer may sleep on.
            nearer = len(self._line) in (1, MOST_AT_ONCE)
            if done is not None:
                self._owed += 1
                nearer = nearer or self._owed == self._patience.enough
            if soon and self._soon_s is None:
                self._soon_s, nearer = now_s, True
            if nearer:
                self._lock.notify()
        return True

    @property
    def bound(self) -> int:
        """How many items wait at most."""
        return self._patience.bound

    def due_s(self) -> float | None:
        """Return when [s monotonic] the next commit is due, or None if nothing waits."""
        with self._lock:
            if not self._line:
                return None
            if self._owed >= self._patience.enough or len(self._line) >= MOST_AT_ONCE:
                return max(self._line[0].put_s, self._next_try_s)
            due_s = max(self._line[0].put_s + self._patience.wait_s, self._rested_s)
            if self._soon_s is not None:
                due_s = min(due_s, self._soon_s + self._patience.wait_s)
            return max(due_s, self._next_try_s)

    def put_off(self, now_s: float) -> None:
        """Try no sooner than after a failure; what waits long counts as failing."""
        with self._lock:
            self._next_try_s = now_s + RETRY_S

    def failing_since_s(self, now_s: float) -> float | None:
        """Return since when [s monotonic] nothing reaches the disk, or None if all is well."""
        # Asked at every tick, so nothing is locked: each of the two is looked at once.
        failing_s, oldest_s = self._failing_since_s, self._oldest_s
        if failing_s is None and oldest_s is not None and now_s - oldest_s > HUNG_S + self._patience.rest_s:
            return oldest_s
        return failing_s

    def commit(self, now_s: float) -> bool:
        """Write what waits (a bounded part of it), then acknowledge it; False if the disk failed and all is kept."""
        with self._lock:
            batch = list(islice(self._line, MOST_AT_ONCE))
        try:
            self._write_all([item.work for item in batch if item.work is not None])
        except _FAILING as error:
            self._note_failure(error, now_s)
            return False
        with self._lock:
            self._failing_since_s = self.fault = None
            self._rested_s = now_s + self._patience.rest_s
            for _ in batch:
                self._owed -= self._line.popleft().done is not None
            self._oldest_s = self._line[0].put_s if self._line else None
            self._soon_s = next((item.put_s for item in self._line if item.soon), None)
        for item in batch:
            self._acknowledge(item)
        return True

    def _write_all(self, works: list[Work]) -> None:
        if not works:
            return
        try:
            new_rows = self._write(self.file.connection, works)
        except RefusedItemsError as error:
            self._write_all([*error.rest])
            self._note_refused(error.refused)
            return
        except _UNWRITABLE:
            new_rows = self._write_singly(works)
        self.new_rows += new_rows
        self.commits += 1

    def _write_singly(self, works: list[Work]) -> int:
        """Write all but what the schema refuses: one such item must not hold up the rest for ever."""
        new_rows, refusals = 0, list[tuple[object, Exception]]()
        # One transaction all the same: were half of it kept, the next try would keep that half twice.
        with transaction(self.file.connection):
            for work in works:
                try:
                    new_rows += self._write(self.file.connection, [work])
                except _UNWRITABLE as error:
                    refusals.append((work, error))
        self._note_refused(refusals)
        return new_rows

    def _note_refused(self, refusals: Sequence[tuple[object, Exception]]) -> None:
        self.refused += len(refusals)
        for work, cause in refusals:
            # Probes that are refused once are so each time they speak, by turns.
            if str(cause) not in self._told:
                self.refusal = str(cause)
                self._told.append(self.refusal)
                _log.error("item refused by the schema", extra={"item": repr(work), "error": self.refusal})

    def _note_failure(self, error: Exception, now_s: float) -> None:
        with self._lock:
            self.fault = error
            self._next_try_s = now_s + RETRY_S
            if self._failing_since_s is not None:
                return
            # The oldest has been on its way to the disk since it was put, not since a try failed.
            self._failing_since_s = self._line[0].put_s
        _log.error("disk does not take what waits", extra={"error": str(error), "waiting": len(self._line)})

    def _acknowledge(self, item: _Waiting[Work]) -> None:
        if item.done is None:
            return
        try:
            item.done()
        except Exception:
            # The item is on disk; a lost acknowledgement only brings it again, and it is kept once.
            _log.exception("acknowledging failed")
