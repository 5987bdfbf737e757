"""The shell: one loop thread that decides, threads for network and disk, a watchdog, and an orderly end."""

import heapq
import itertools
import json
import logging
import os
import queue
import signal
import sqlite3
import threading
from contextlib import closing
from functools import partial
from pathlib import Path

from controller import enclosure, standing
from controller.clock import Clock, Moment
from controller.errors import StoreError
from controller.heater_log import HeaterLog
from controller.keeper import Keeper, stored
from controller.parent import end_with_parent
from controller.plan import plan_for
from controller.routing import Routing
from controller.safety import limits
from controller.safety.lease import Order
from controller.settings import Settings
from controller.standing import Kept, Standing
from controller.status import Grade
from controller.store import requests as request_store
from controller.store import runs
from controller.store.connection import Lock, open_reader, open_writer
from controller.store.journal import Entry
from controller.store.migrations import READINGS
from controller.store.runs import RunEvent
from controller.store.writer import Writer
from controller.wire.inbox import Inbox, Message
from controller.wire.relay import WireError, decode_report
from controller.wire.relays import Relays

log = logging.getLogger("soilward.service")
LONGEST_DRAIN = 400
STOPPING = Order(False, False, "the controller is stopping")


class Controller:
    """Everything that runs beside the heater, for every enclosure in the settings.

    Raises
    ------
    StoreError
        If another controller holds the folder, or a database cannot be opened.
    """

    def __init__(self, settings: Settings, clock: Clock, identity: str = "controller") -> None:
        self.settings, self.clock, self.identity = settings, clock, identity
        folder = settings.store.folder
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        self._lock = Lock(folder / "controller.db")
        now = clock.now()
        self._standing_file = folder / "standing.json"
        first = not (folder / "journal.db").exists()
        names = tuple(each.name for each in settings.enclosure)
        kept = standing.recall(self._standing_file, names, first, now.utc_ms)
        self.epoch = kept.epoch + 1
        self._others = {name: each for name, each in kept.enclosures.items() if name not in names}
        self._saved = True
        self.keepers = {each.name: self._keeper(each.name, kept) for each in settings.enclosure}
        self._save_standing()
        _end_left_open_runs(folder)
        self.writer = Writer(folder, clock)
        self.routing = Routing(settings)
        self.inbox = Inbox(
            settings, f"soilward-{identity}", self.routing.probe_topics, self.routing.state_topics, clock
        )
        self.relays = Relays(settings, self.inbox.client, self.epoch, identity, now)
        self._stop = threading.Event()
        self._turned_s = self._polled_s = now.mono_s
        # Ticks are spread evenly over the second, each enclosure at its own moment.
        self._count = itertools.count()
        spread = limits.TICK_S / len(self.keepers)
        self._due = [
            (now.mono_s + number * spread, next(self._count), name) for number, name in enumerate(self.keepers)
        ]
        self._newsworthy: set[str] = set()
        self._answered = min((k.state.standing.answered for k in self.keepers.values()), default=0)
        self._enter("start", None, f"controller started, epoch {self.epoch}", now)
        for keeper in self.keepers.values():
            for trip in keeper.state.standing.trips:
                self._enter("still-latched", keeper.plan.name, trip.detail, now)

    def _keeper(self, name: str, kept: Kept) -> Keeper:
        settings = self.settings.named(name)
        if settings is None:
            raise StoreError(f"no enclosure {name!r}")
        plan = plan_for(self.settings, settings)
        state = enclosure.start(plan, kept.enclosures.get(name, Standing()))
        return Keeper(plan, state, HeaterLog(name, plan.rated_w, plan.volts))

    def _enter(self, kind: str, name: str | None, why: str, now: Moment) -> None:
        self.writer.put_journal(Entry(kind, name, "soilward", why, {"epoch": self.epoch}, now.utc_ms))

    def run(self) -> None:
        """Run until `stop`; always ends with every contact told to open."""
        self.writer.start()
        self.inbox.open()
        self._turned_s = self.clock.now().mono_s
        threading.Thread(target=self._watch, name="watchdog", daemon=True).start()
        try:
            while not self._stop.is_set():
                self._turn()
        finally:
            self._end()

    def stop(self) -> None:
        """Ask the loop to end."""
        self._stop.set()

    def _turn(self) -> None:
        """One turn: wait for a message or the next enclosure's tick, then step whoever has news and whoever is due.

        Only one due enclosure is stepped a turn, so a hot reading never waits for the ticks of all the others.
        """
        messages = self._drain(max(0.0, self._due[0][0] - self.clock.now().mono_s))
        for message in messages:
            self._take(message)
        now = self.clock.now()
        self._turned_s = now.mono_s
        if now.mono_s - self._polled_s >= limits.TICK_S:
            self._polled_s = now.mono_s
            self._once_a_second(now)
        due_s, _, name = self._due[0]
        if now.mono_s >= due_s:
            # A late tick is not made up for: the next one is due a whole tick after this.
            heapq.heapreplace(self._due, (now.mono_s + limits.TICK_S, next(self._count), name))
            self._newsworthy.add(name)
        stepped, self._newsworthy = self._newsworthy, set()
        kept = [self._step(self.keepers[each], now) for each in stepped]
        if all(kept):
            self._acknowledge(messages)

    def _once_a_second(self, now: Moment) -> None:
        self._poll_requests()
        for keeper in self.keepers.values():
            self._put_runs(keeper.heater.lapse(now.mono_s))

    def _acknowledge(self, messages: list[Message]) -> None:
        """Queue the acknowledgements behind the rows they wait for: the writer sends them after the commit."""
        for message in messages:
            self.writer.put_reading(None, partial(self.inbox.acknowledge, message))

    def _drain(self, wait_s: float) -> list[Message]:
        messages = []
        try:
            messages.append(self.inbox.messages.get(timeout=wait_s) if wait_s > 0 else self.inbox.messages.get_nowait())
            while len(messages) < LONGEST_DRAIN:
                messages.append(self.inbox.messages.get_nowait())
        except queue.Empty:
            pass
        return messages

    def _take(self, message: Message) -> None:
        name = self.routing.states.get(message.topic)
        if name is not None:
            self._take_report(name, message)
            return
        for reading in self.routing.readings(message):
            self.keepers[reading.enclosure].readings.append(reading)
            self._newsworthy.add(reading.enclosure)

    def _take_report(self, name: str, message: Message) -> None:
        if message.retained:
            return
        keeper = self.keepers[name]
        try:
            report = decode_report(message.payload, message.arrived)
        except WireError as error:
            self.routing.refuse(name, message, str(error))
            return
        if report is None:
            self._enter("node-offline", name, "the broker says the relay node is gone", message.arrived)
            return
        if report.epoch > self.epoch:
            self._overtake(name, report.epoch, message.arrived)
        if report.epoch == self.epoch:
            # Of another epoch: from before our start, or from a node that has not obeyed us yet.
            self._put_runs(keeper.heater.take(report, keeper.state.why_open))
            keeper.reports.append(report)
            self._newsworthy.add(name)

    def _overtake(self, name: str, epoch: int, now: Moment) -> None:
        """A node that has obeyed a later epoch refuses ours; ours rises above it (a lost or restored data folder)."""
        self.epoch = epoch + 1
        self.relays.raise_epoch(self.epoch)
        self._saved = self._try_to_save()
        self._enter("epoch", name, f"the node has seen epoch {epoch}; ours is now {self.epoch}", now)

    def _put_runs(self, events: list[RunEvent]) -> None:
        for event in events:
            self.writer.put_run(event)

    def _step(self, keeper: Keeper, now: Moment) -> bool:
        """Step one enclosure; returns whether all was queued for the disk. An opening goes out before any saving."""
        before = keeper.state.standing
        connected, resumed_s = self.inbox.link_now
        decision = keeper.tick(connected, resumed_s, self._can_record, now)
        if decision.send and not decision.order.on:
            self.relays.send(keeper.plan.name, decision.order, now)
        if keeper.state.standing != before or not self._saved:
            self._saved = self._try_to_save()
        kept = self._record(keeper, decision)
        self._tell(keeper, now)
        if decision.send and decision.order.on:
            self.relays.send(keeper.plan.name, decision.order, now)
        return kept

    @property
    def _can_record(self) -> bool:
        return self._saved and self.writer.journal_failing_since_s is None

    def _try_to_save(self) -> bool:
        """Save the standing orders; a disk that refuses costs heat, not the loop, and is tried again each tick."""
        try:
            self._save_standing()
        except OSError as error:
            log.error("standing orders cannot be saved: %s", error)
            return False
        return True

    def _record(self, keeper: Keeper, decision: enclosure.Decision) -> bool:
        kept = all(list(map(self.writer.put_journal, decision.entries)))
        for reading, judged in decision.judged:
            if judged.grade is Grade.REFUSED:
                self.routing.refused[keeper.plan.name]["implausible"] += 1
            row = stored(keeper.plan, reading, judged.grade, judged.taken_ms)
            if row is not None:
                kept = self.writer.put_reading(row, _nothing) and kept
        return kept

    def _tell(self, keeper: Keeper, now: Moment) -> None:
        name = keeper.plan.name
        status = keeper.news(now, self.epoch, dict(self.routing.refused[name]), self.routing.last_refused[name])
        if status is not None:
            topic = f"{self.settings.broker.root}/{name}/status"
            self.inbox.client.publish(topic, json.dumps(status.as_json()), qos=0, retain=True)

    def _poll_requests(self) -> None:
        path = self.settings.store.folder / "requests.db"
        if not path.exists():
            return
        try:
            with closing(open_reader(path)) as connection:
                asked = request_store.after(connection, self._answered)
        except (StoreError, sqlite3.Error) as error:
            log.warning("requests cannot be read: %s", error)
            return
        for request in asked:
            self._answered = request.id
            keeper = self.keepers.get(request.enclosure)
            if keeper is not None and request.id > keeper.state.standing.answered:
                keeper.requests.append(request)
                self._newsworthy.add(request.enclosure)

    def _save_standing(self) -> None:
        standings = {name: keeper.state.standing for name, keeper in self.keepers.items()}
        # Enclosures that settings no longer name keep their trips, should they come back.
        standing.save(self._standing_file, Kept(self.epoch, {**self._others, **standings}))

    def _watch(self) -> None:
        """Kill this process if the loop has stopped: a dead controller renews no lease (design, section 5)."""
        woke_s = self.clock.now().mono_s
        while not self._stop.is_set():
            self.clock.sleep(0.5)
            now_s = self.clock.now().mono_s
            # If this thread slept too, the whole process was paused: the loop gets a moment to notice it.
            paused, woke_s = now_s - woke_s > limits.LONGEST_GAP_S, now_s
            if not paused and now_s - self._turned_s > limits.DEAD_LOOP_S and not self._stop.is_set():
                os.kill(os.getpid(), signal.SIGKILL)

    def _end(self) -> None:
        self._stop.set()
        now = self.clock.now()
        for name in self.keepers:
            self.relays.send(name, STOPPING, now)
        self._enter("stop", None, "controller stopped as asked", now)
        self.relays.close()
        self.inbox.close()
        self.writer.close()
        self._lock.release()


def _end_left_open_runs(folder: Path) -> None:
    """A run that the last controller left open ended, at the latest, when its lease did."""
    with closing(open_writer(folder / "readings.db", READINGS)) as connection:
        runs.finish_left_open(connection, limits.LONGEST_LEASE_S)


def _nothing() -> None:
    """Nothing waits for this row; its message is acknowledged by the row after it."""


def run(settings: Settings, clock: Clock, identity: str = "controller") -> None:
    """Run a controller until SIGTERM or SIGINT."""
    controller = Controller(settings, clock, identity)
    end_with_parent()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: controller.stop())
    controller.run()
