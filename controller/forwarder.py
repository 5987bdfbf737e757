"""The forwarder's process: copies the record to a store elsewhere, and waits for it if need be.

It only reads the record, so nothing here slows a tick or a commit; a store that is away for a week gets it all later.
"""

import logging
import signal
import sqlite3
import threading

from controller.clock import Clock
from controller.errors import SettingsError, StoreError
from controller.parent import end_with_parent
from controller.settings import Remote, Settings
from controller.store.outbox import Outbox
from controller.store.points import Points
from controller.store.remote import RemoteError, RemoteWriter
from controller.store.told import Told

EVERY_S = 10.0
"""[s] between two looks once all is sent. Source: engineering judgement."""
FIRST_PAUSE_S, LONGEST_PAUSE_S = 1.0, 300.0
"""[s] between two tries at a store that is away. Source: engineering judgement."""

log = logging.getLogger("soilward.forwarder")


class Forwarder:
    """Sends batch after batch; `turn` is its one step."""

    def __init__(self, settings: Settings, remote: Remote, clock: Clock) -> None:
        self._clock = clock
        self._writer = RemoteWriter(remote)
        self._outbox = Outbox(settings.store.folder, Points(remote.kind, remote.site))
        self._pause_s = FIRST_PAUSE_S
        self._sent, self._lacks = 0, ""

    def turn(self) -> float:
        """Send the next batch; returns after how many seconds to come again."""
        oldest_ms, trouble = None, ""
        try:
            batch = self._outbox.next()
            if batch is not None:
                oldest_ms = batch.oldest_ms
                self._writer.send(batch.points)
                self._outbox.done(batch)
                self._sent += len(batch.points)
                trouble = batch.trouble
                if trouble and trouble != self._lacks:
                    log.warning("not all is sent: %s", trouble)
                self._lacks = trouble
            self._pause_s, wait_s = FIRST_PAUSE_S, 0.0 if batch is not None and batch.full else EVERY_S
            oldest_ms = None if wait_s else oldest_ms
        except (RemoteError, StoreError, sqlite3.Error) as error:
            # Doubled without end it would be no number any more, after three days and a half.
            trouble, wait_s = str(error), self._pause_s
            self._pause_s = min(2.0 * wait_s, LONGEST_PAUSE_S)
            log.warning("nothing sent: %s", error)
        self._tell(oldest_ms, trouble)
        return wait_s

    def close(self) -> None:
        """Let the file and the connection go."""
        self._writer.close()
        self._outbox.close()

    def _tell(self, oldest_ms: int | None, trouble: str) -> None:
        try:
            now_ms = self._clock.now().utc_ms
            self._outbox.tell(Told(now_ms, oldest_ms, self._sent, self._writer.refused, trouble))
        except sqlite3.Error as error:
            log.warning("how sending fares was not noted: %s", error)


def run(settings: Settings, clock: Clock) -> None:
    """Forward until SIGTERM or SIGINT.

    Raises
    ------
    SettingsError
        If settings name no store elsewhere.
    """
    if settings.remote is None:
        raise SettingsError(["remote: is missing; name the store that gets a copy of the record, or run no forwarder"])
    stop = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stop.set())
    end_with_parent()
    forwarder = Forwarder(settings, settings.remote, clock)
    try:
        while not stop.wait(forwarder.turn()):
            pass
    finally:
        forwarder.close()
