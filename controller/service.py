"""The shell: one loop thread that decides, threads for network and disk, a watchdog, and an orderly end."""

import signal
import sys
import threading
import time
from collections.abc import Sequence
from functools import partial

from pydantic_core import to_json

from controller import collector, web_port
from controller.asked import Asked
from controller.clock import Clock, Moment
from controller.enclosure import Decision
from controller.errors import BrokerError, StoreError
from controller.figures import Figures
from controller.foreseen import Foreseen
from controller.held import Held
from controller.keeper import Keeper
from controller.keepers import keepers_of
from controller.memory import journal_breaks_at, memory_of, receipts_lately
from controller.nodes_heard import NodesHeard
from controller.parent import end_with_parent
from controller.proving import slower
from controller.recording import SET_BACK, Recording, writer_of
from controller.routing import Routing
from controller.safety import limits
from controller.safety.lease import Order
from controller.settings import Settings
from controller.state import Inputs
from controller.store.connection import Lock
from controller.store.damage import require_sound_journal, sound_or_aside, untold
from controller.store.journal import JSON
from controller.store.receipts import Receipt
from controller.store.reserve import make_room
from controller.taking import Taking
from controller.ticking import Ticking
from controller.watchdog import watch
from controller.wire.flaps import Flaps
from controller.wire.inbox import Inbox
from controller.wire.reader_test import ReaderTest
from controller.wire.relays import Relays
from controller.wire.session import window

WRITER_DIED = "the store's writer ended by a fault of its own, told above; the controller ends, to be started again"
LISTENER_DIED = "a thread of the network ended by a fault, told above; the controller ends, to be started again"
LATE = "the controller falls 3 s behind again and again, and no heat outlasts that: look what else this machine does"
STOPPING = Order(False, False, "the controller is stopping")
BACKLOG, ROOM_MADE_S = 100, 0.02
"""Readings in one tick that are a backlog, and [s] that the writer gets to make room where its line is half full. What
finds no room the broker tells again, and where one message brings more than the line holds, as of a weather station
that hundreds of enclosures share, it was so for good. Source: engineering judgement."""
HANDS_OVER_S = 0.0005
"""[s] after which a busy thread lets another run. It is the network thread that sends what the loop has published: with
Python's 5 ms an opening waited for the loop to save what it had decided. Source: engineering judgement."""

GATHERED_S = 0.005
"""[s] What a busy loop has published waits for company this long at most; an opening does not. Source: engineering
judgement."""


class Controller:
    """Everything that runs beside the heater, for every enclosure in the settings.

    Raises
    ------
    StoreError
        If another controller holds the folder, or a database cannot be opened.
    """

    def __init__(self, settings: Settings, clock: Clock) -> None:
        self.settings, self.clock = settings, clock
        folder = settings.store.folder
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        self._lock = Lock(folder / "controller.db")
        make_room(folder)
        now = clock.now()
        sound_or_aside(folder, now.utc_ms)
        require_sound_journal(folder)
        self.memory = memory_of(settings, now.utc_ms)
        self.keepers = keepers_of(settings, self.memory, now)
        self._broken_at = journal_breaks_at(settings.store)
        self.writer = writer_of(settings, clock)
        for aside in untold(folder):
            self.writer.tell_damage(aside)
        self._figures = Figures(folder, self.keepers)
        self.routing = Routing(settings)
        topics = self.routing.probe_topics, self.routing.state_topics
        self.inbox = Inbox(settings, settings.broker.client_id, *topics, clock, recalled=receipts_lately(folder))
        self.relays = Relays(settings, self.inbox.client, self.memory.epoch, settings.broker.controller, now)
        self._reader_test = ReaderTest(settings, now, self.inbox.canary_topic)
        self._foreseen = Foreseen(folder)
        found = slower.slower_probes(folder, self.keepers).items()
        self._own_notes = {name: [(slower.ALERT, words)] for name, words in found}
        self._record = Recording(self.writer, self.memory, self.routing)
        self._nodes = NodesHeard(self.keepers, self.routing, self._record, self.relays, self._overtake)
        self._asked = Asked(folder, {name: each.state.standing.answered for name, each in self.keepers.items()})
        self._late = Flaps()
        self._notes = self._site_notes(now)
        self._stop = threading.Event()
        self._turned_s = self._polled_s = self._let_out_s = now.mono_s
        self._ticking = Ticking(self.keepers, now.mono_s)
        self._taking = Taking(self.keepers, self.routing, self._nodes, self._ticking)
        self._held, self._most_held = Held(), window(settings.broker) // 4
        for name, count in self.memory.set_back.items():
            self._own_notes.setdefault(name, []).append(("counter", SET_BACK.format(count)))
        self._record.began(settings, now)

    def run(self) -> None:
        """Run until `stop`; always ends with every contact told to open."""
        sys.setswitchinterval(HANDS_OVER_S)
        self.writer.start()
        self.inbox.open()
        self._reader_test.start()
        self._turned_s = self.clock.now().mono_s
        watch(lambda: self._turned_s, self._stop, self.clock)
        collector.look_seldom(len(self.keepers))
        try:
            with self.inbox.client.gathering():
                while not self._stop.is_set():
                    self._turn()
        finally:
            self._end()

    def stop(self) -> None:
        """Ask the loop to end."""
        self._stop.set()

    def _turn(self) -> None:
        """One turn: wait for a message or the next enclosure's tick, take what came, and step whose turn it is."""
        now_s = self.clock.now().mono_s
        wait_s = self._ticking.wait_s(now_s)
        if wait_s > 0 or now_s - self._let_out_s >= GATHERED_S:
            self._let_out_s = now_s
            self.inbox.client.let_out()
        for message in self.inbox.drain(wait_s):
            self._held.add(message, self._taking.take(message, self.memory.epoch))
        now = self.clock.now()
        if now.mono_s - self._turned_s > limits.LONGEST_GAP_S:
            self._late.lost(now.mono_s)
        self._turned_s = now.mono_s
        if now.mono_s - self._polled_s >= limits.TICK_S:
            self._polled_s = now.mono_s
            self._once_a_second(now)
        for first in self._held.first(self._most_held):
            self._ticking.has_news(first, now.mono_s)
        self._step([self.keepers[name] for name in self._ticking.next(now.mono_s)], now)
        for message in self._held.ready():
            # The writer sends it after the commit of the rows that stand before it in the line.
            receipt = Receipt(message.mid, message.content) if message.qos and not message.is_dated else None
            if not self.writer.put_receipt(receipt, partial(self.inbox.acknowledge, message)):
                self.inbox.drop(message)

    def _once_a_second(self, now: Moment) -> None:
        if self.writer.has_died:
            raise StoreError(WRITER_DIED)
        if self.inbox.has_died or self.relays.has_died:
            raise BrokerError(LISTENER_DIED)
        self.inbox.look(now)
        self._notes = self._site_notes(now)
        if self.inbox.has_yielded:
            self.relays.yield_plain()
        self._poll_requests(now)
        self._foreseen.look(now)
        self._figures.look(now, self.writer, self.inbox.messages.qsize(), self._ticking.late)
        if self.memory.owes(now.mono_s):
            self._save()

    def _overtake(self, name: str, epoch: int, now: Moment) -> None:
        """Let our epoch rise above the one a node has obeyed."""
        self.memory.epoch = epoch + 1
        self.relays.raise_epoch(self.memory.epoch)
        self._save()
        self._record.enter("epoch", name, f"the node has seen epoch {epoch}; ours is now {self.memory.epoch}", now)

    def _step(self, keepers: Sequence[Keeper], now: Moment) -> None:
        """Step enclosures: an opening, of whichever of them, goes out before anything is saved, a closing only after.

        Where many pass a limit at once, nobody's contact waits for the latches of the others, and one saving is enough.
        """
        decided = [(each, self._decide(each, now)) for each in keepers]
        if self.memory.owes(now.mono_s):
            self._save()
        for keeper, decision in decided:
            self._leave(keeper, decision, now)
        if self.writer.is_crowded and any(len(decision.judged) >= BACKLOG for _, decision in decided):
            time.sleep(ROOM_MADE_S)

    def _decide(self, keeper: Keeper, now: Moment) -> Decision:
        """Tick one enclosure, and send the order if it opens."""
        before, may_be_closed = keeper.state.standing, keeper.state.may_be_closed
        name, shell = keeper.plan.name, self._shell(keeper.plan.name, now)
        decision = keeper.tick(shell, now)
        # While our session is away a plain relay, which has a connection of its own and no lease, is told "off" still.
        is_due = decision.send or not shell.connected
        if self._nodes.is_anothers(name):
            # Off is obeyed always: renewed beside another controller's "on" it had the contact opened and closed 26
            # times a minute. Only a trip holds it open there; what ends heat anew is told at once, whatever is due.
            is_due = decision.ends_heat or (is_due and bool(keeper.state.standing.trips))
        if is_due and not decision.order.on:
            self.relays.send(name, decision.order, now)
            # A renewal of what is open already need not be out at once.
            if may_be_closed:
                self.relays.let_out()
        self.memory.note(before, keeper.state.standing, now.mono_s)
        return decision

    def _leave(self, keeper: Keeper, decision: Decision, now: Moment) -> None:
        """Record and tell what was decided, and send the order if it closes or keeps closed."""
        name = keeper.plan.name
        self._record.put_runs(keeper.heater.lapse(now.mono_s))
        if self._record.put(keeper, decision, now):
            self._held.stepped(name)
        else:
            for message in self._held.lost(name):
                self.inbox.drop(message)
        self._tell(keeper, now)
        # A tick that overran speaks of a past too old to heat by (hazard C15); the next one sees the gap, and is off.
        if decision.send and decision.order.on and self.clock.now().mono_s - now.mono_s <= limits.LONGEST_GAP_S:
            self.relays.send(name, decision.order, now)
        self._figures.saw(name, decision, self.clock.now().mono_s - now.mono_s)

    def _shell(self, name: str, now: Moment) -> Inputs:
        """Return how the shell fares, as the tick is told."""
        link = self.inbox.link_now
        return Inputs(
            connected=link.connected,
            resumed_s=link.resumed_s,
            wire_fault=link.fault or self._reader_test.fault or self._asked.fault(now.mono_s),
            journal_ok=self._record.is_possible(now),
            seq=self.relays.seq_of[name],
            broken_at=self._broken_at,
            notes=(*self._notes, *self._nodes.notes(name, now.mono_s), *self._own_notes.get(name, ())),
            foresight=self._foreseen.plan(name, now),
        )

    def _site_notes(self, now: Moment) -> tuple[tuple[str, str], ...]:
        """Return (name, words) of what the shell has noticed that every enclosure is told of."""
        pages = web_port.noted(self.settings.store.folder)
        unheard = self._asked.fault(now.mono_s)
        asked = (("requests", unheard),) if unheard else ()
        link = (*self.inbox.notes(now.mono_s), *self._reader_test.notes(now.mono_s))
        late = (("loop-late", LATE),) if self._late.is_flapping(now.mono_s) else ()
        return (*link, *self._record.notes(now), *asked, *late, *pages)

    def _save(self) -> None:
        # A card may take a second for it, for which nothing that was gathered need wait.
        self.inbox.client.let_out()
        standings = {name: keeper.state.standing for name, keeper in self.keepers.items()}
        self.memory.save(standings)
        if not self.memory.is_saved and self.writer.make_room():
            self.memory.save(standings)

    def _tell(self, keeper: Keeper, now: Moment) -> None:
        name = keeper.plan.name
        status = keeper.news(now, self.memory.epoch, dict(self.routing.refused[name]), self.routing.last_refused[name])
        if status is not None:
            topic = f"{self.settings.broker.root}/{name}/status"
            self.inbox.client.publish(topic, to_json(status), qos=0, retain=True)

    def _poll_requests(self, now: Moment) -> None:
        for request in self._asked.poll(now.mono_s):
            self.keepers[request.enclosure].requests.append(request)
            self._ticking.has_news(request.enclosure, self.clock.now().mono_s)

    def _end(self) -> None:
        how = "as asked" if self._stop.is_set() else "by a fault of its own"
        self._stop.set()
        self._reader_test.stop()
        now = self.clock.now()
        for name in self.keepers:
            self.relays.send(name, STOPPING, now)
        refused: dict[str, JSON] = {name: counts.total() for name, counts in self.routing.refused.items()}
        self._record.enter("stop", None, f"controller stopped {how}", now, {"refused": refused})
        self._save()
        self.relays.close()
        self.inbox.close()
        self.writer.close()
        self._lock.release()


def run(settings: Settings, clock: Clock) -> None:
    """Run a controller until SIGTERM or SIGINT."""
    controller = Controller(settings, clock)
    end_with_parent()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: controller.stop())
    controller.run()
