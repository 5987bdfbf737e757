"""The writer: one thread that alone writes readings and the journal, and acknowledges only what is on disk."""

import logging
import sqlite3
from collections.abc import Callable, Sequence
from pathlib import Path
from threading import Condition, Thread
from typing import Any

from controller.clock import Clock
from controller.store import journal
from controller.store.connection import BUSY_MS, open_writer
from controller.store.damage import DamagedError, is_damage
from controller.store.durations import Durations
from controller.store.heads import Sealer
from controller.store.journal import JSON, Entry
from controller.store.lane import Lane, Opened, Patience
from controller.store.migrations import JOURNAL
from controller.store.readings import StoredReading
from controller.store.receipts import Receipt
from controller.store.record import Record, Work
from controller.store.reserve import Reserve
from controller.store.retention import Retention
from controller.store.runs import RunEnergy, RunEvent

_log = logging.getLogger(__name__)


MOST_OWED = 600
"""Acknowledgements that go out together: an order waits behind them, for some ms. Source: engineering judgement."""


def readings_patience(rest_s: float = 0.0, window: int = 100) -> Patience:
    """Return when readings go to the disk.

    Parameters
    ----------
    rest_s
        [s] between two commits while little waits.
    window
        Messages the broker sends before it waits for acknowledgements; so three fifths of it call for a commit at once.
    """
    return Patience(enough=min(window * 3 // 5, MOST_OWED), wait_s=2.0, bound=20_000, rest_s=rest_s)


JOURNAL_PATIENCE = Patience(enough=1, wait_s=0.0, bound=20_000)
"""A trip is written at once, and readings can never crowd it out."""

POLL_S = 0.5
"""[s] longest wait between two looks at the clock."""

SEAL_AGAIN_S = 600.0
"""[s] until a head that the disk did not take is signed again: one a day is wanted. Engineering judgement."""

CLOSE_S = 10.0
"""[s] patience at `close` with a thread that a hung disk holds."""


class Writer:
    """Owns `readings.db` and `journal.db` in `folder`.

    The put methods may be called from any thread, never wait for the disk, and return False when their line is full.
    A failing disk loses nothing up to that bound: everything is kept and tried again each second.

    Parameters
    ----------
    clock
        Tells how long commits took (`took`), and when a batch has waited long enough; the thread's own waiting is real.
    busy_ms
        [ms] patience with a locked database.
    sealer
        Signs the journal's head once a day and at `close`, or None.
    retention
        Takes away what is too old, or None to keep all.
    patience
        When readings go to the disk.

    Raises
    ------
    StoreError
        If either database cannot be opened, is newer than this program, or has a writer.
    """

    def __init__(
        self,
        folder: Path,
        clock: Clock,
        *,
        busy_ms: int = BUSY_MS,
        sealer: Sealer | None = None,
        retention: Retention | None = None,
        patience: Patience | None = None,
    ) -> None:
        self._clock, self._sealer, self.took = clock, sealer, Durations()
        self._wake = Condition()
        self._stopping = False
        self._thread: Thread | None = None
        self._died_s: float | None = None
        self._seal_s = float("-inf")
        self._record = Record(folder / "readings.db", clock, self.tell_damage, retention, busy_ms=busy_ms)
        try:
            written = Opened(open_writer(folder / "journal.db", JOURNAL, busy_ms=busy_ms))
        except Exception:
            self._record.connection.close()
            raise
        self._reserve = Reserve(folder)
        self._readings: Lane[Work] = Lane(self._record, self._record.write, patience or readings_patience(), self._wake)
        self._journal: Lane[Entry] = Lane(written, _write_journal, JOURNAL_PATIENCE, self._wake)

    def start(self) -> None:
        """Start the thread. Without it nothing is written but by `turn` and `close`."""
        self._thread = Thread(target=self._run, name="store-writer", daemon=True)
        self._thread.start()

    def put_reading(self, stored: StoredReading, done: Callable[[], None] | None = None) -> bool:
        """Keep a reading, then call `done` from the writer's thread, if somebody waits."""
        return self._readings.put(stored, done, self._clock.now().mono_s)

    def put_receipt(self, receipt: Receipt | None, done: Callable[[], None]) -> bool:
        """Call `done` once all that was put before is on disk; a receipt is kept with the readings of that commit."""
        return self._readings.put(receipt, done, self._clock.now().mono_s)

    def put_run(self, event: RunEvent) -> bool:
        """Keep what the node reported about its contact, in order, with the readings."""
        soon = not isinstance(event, RunEnergy)
        return self._readings.put(event, None, self._clock.now().mono_s, soon=soon)

    def put_journal(self, entry: Entry) -> bool:
        """Write an entry at once, ahead of any waiting readings."""
        return self._journal.put(journal.writable(entry), None, self._clock.now().mono_s)

    @property
    def queue_depth(self) -> int:
        """Items not on disk yet, of both databases."""
        return len(self._readings) + len(self._journal)

    @property
    def is_crowded(self) -> bool:
        """Whether the line of readings is half full, and the disk takes them."""
        return len(self._readings) * 2 > self._readings.bound and self.healthy

    @property
    def readings_committed(self) -> int:
        """Readings new on disk since the start; a redelivered one does not count again."""
        return self._readings.new_rows

    @property
    def commits(self) -> int:
        """Transactions committed since the start, on both databases."""
        return self._readings.commits + self._journal.commits

    @property
    def refused(self) -> int:
        """Items the schema refused since the start; each is in the log."""
        return self._readings.refused + self._journal.refused

    @property
    def refusal(self) -> str:
        """Why an item was last refused since the start, in words; "" if none was."""
        return self._journal.refusal or self._readings.refusal

    @property
    def healthy(self) -> bool:
        """Whether all that is put reaches the disk."""
        return self.failing_since_s is None

    @property
    def failing_since_s(self) -> float | None:
        """[s] monotonic since when either database, or the thread itself, has been failing; None if neither is."""
        now_s, shut_s = self._clock.now().mono_s, self._record.shut_since_s
        failing_s = _earliest(self._readings.failing_since_s(now_s), self._journal.failing_since_s(now_s), shut_s)
        return _earliest(failing_s, self._died_s)

    @property
    def has_died(self) -> bool:
        """Whether a fault of our own has ended the thread: nothing reaches the disk until the next start."""
        return self._died_s is not None

    @property
    def journal_failing_since_s(self) -> float | None:
        """[s] monotonic since when the journal alone, or the thread, has been failing; None if it is not."""
        return _earliest(self._journal.failing_since_s(self._clock.now().mono_s), self._died_s)

    @property
    def journal_damage(self) -> str:
        """What is wrong with the journal's file, and what to do; "" while it is sound or merely out of room."""
        return str(DamagedError("journal.db")) if is_damage(self._journal.fault) else ""

    def turn(self) -> None:
        """Commit what is due, the journal first. The thread's one step; a test may take it instead of the thread."""
        for lane in (self._journal, self._readings):
            now_s = self._clock.now().mono_s
            due_s = lane.due_s()
            if due_s is not None and due_s <= now_s:
                self._commit(lane, now_s)
                self.took.take(self._clock.now().mono_s - now_s)
        self._reserve.look(self._clock.now().mono_s)
        self._seal(at_the_end=False)
        if self._may_tidy:
            self._record.tidy(idle=not len(self._readings))

    @property
    def _may_tidy(self) -> bool:
        """Whether the record takes what is packed: it does not fail, or is owed anew, and no room is kept from it."""
        fails = self._readings.failing_since_s(self._clock.now().mono_s) is not None
        return not self._reserve.given_up and (not fails or self._record.shut_since_s is not None)

    def close(self) -> int:
        """Stop the thread, write all that waits, close both databases, and return how many items could not be kept."""
        with self._wake:
            self._stopping = True
            self._wake.notify_all()
        if self._thread is not None:
            self._thread.join(CLOSE_S)
            if self._thread.is_alive():
                return self.queue_depth
        for lane in (self._journal, self._readings):
            while len(lane) and lane.commit(self._clock.now().mono_s):
                pass
            if lane is self._journal:
                self._seal(at_the_end=True)
                self._sealer = None
            lane.file.connection.close()
        return self.queue_depth

    def _commit(self, lane: Lane[Any], now_s: float) -> None:
        if lane is self._readings and self._reserve.given_up:
            # The room that is left is the journal's.
            lane.put_off(now_s)
            return
        done = lane.commit(now_s)
        if not done and lane is self._journal and self._reserve.is_wanted(lane.fault) and self._reserve.give_up():
            lane.commit(now_s)
        if not done and lane is self._readings:
            self._record.forget()

    def make_room(self) -> bool:
        """Give the reserve up if the disk is full: there must be room for what latches, as there is for its entry."""
        return self._reserve.is_wanted(None) and self._reserve.give_up()

    def tell_damage(self, aside: Path) -> None:
        """Write into the journal that the record was damaged, and where it is now."""
        detail = f"the record of readings was damaged; it is set aside as {aside.name}, and a new one is begun"
        _log.error(detail)
        body: dict[str, JSON] = {"alert": "record-damaged", "file": aside.name, "detail": detail}
        self.put_journal(Entry("alert", None, "controller", "", body, self._clock.now().utc_ms))

    def _seal(self, *, at_the_end: bool) -> None:
        """Sign the journal's head if it is time; a disk that takes none costs the head and nothing else."""
        now = self._clock.now()
        if self._sealer is None or (now.mono_s < self._seal_s and not at_the_end):
            return
        seal = self._sealer.seal if at_the_end else self._sealer.look
        try:
            seal(self._journal.file.connection, now.utc_ms)
        except (OSError, sqlite3.Error) as error:
            self._seal_s = now.mono_s + SEAL_AGAIN_S
            _log.error("the journal's head was not signed", extra={"error": str(error)})

    def _run(self) -> None:
        try:
            while not self._stopping:
                self.turn()
                self._wait()
        except Exception:
            # Nothing is mended here: the loop sees it, opens every contact and ends the process (hazard C11).
            self._died_s = self._clock.now().mono_s
            _log.exception("the store's writer ended by a fault of its own")

    def _wait(self) -> None:
        with self._wake:
            if not self._stopping:
                wait_s = self._wait_s()
                self._wake.wait_for(lambda: self._stopping or self._wait_s() <= 0.0, timeout=wait_s)

    def _wait_s(self) -> float:
        piece_s = self._record.due_s
        found = (self._journal.due_s(), self._readings.due_s(), piece_s if piece_s and self._may_tidy else None)
        dues = [due_s for due_s in found if due_s is not None]
        return min(max(min(dues) - self._clock.now().mono_s, 0.0), POLL_S) if dues else POLL_S


def _earliest(*moments_s: float | None) -> float | None:
    known_s = [moment_s for moment_s in moments_s if moment_s is not None]
    return min(known_s) if known_s else None


def _write_journal(connection: sqlite3.Connection, works: Sequence[Entry]) -> int:
    return len(journal.append(connection, works))
