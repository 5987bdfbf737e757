"""One enclosure on the wire for a proof test: the same tick judges the same readings, and the gate alone says "on"."""

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, replace
from enum import StrEnum
from statistics import median

from controller import enclosure
from controller.clock import Clock, Moment
from controller.enclosure import Decision
from controller.epochs import Epoch, Epochs
from controller.errors import SettingsError
from controller.heater_log import log_for
from controller.keeper import Keeper
from controller.plan import Plan, plan_for
from controller.reports import is_repeat
from controller.routing import Routing
from controller.safety import gate, lease, limits
from controller.safety.lease import Order, Sent
from controller.settings import Settings
from controller.standing import Standing
from controller.state import JUST_STARTED, Inputs, NodeReport
from controller.store.runs import RunEvent
from controller.wire.inbox import Inbox, Message
from controller.wire.relay import WireError, decode_report
from controller.wire.relays import Relays

IDENTITY = "proof-test"
TURN_S = 0.1


class Wish(StrEnum):
    """What a step wants of the contacts; whether it gets it, the gate says."""

    DISARMED = "disarmed"
    ARMED = "armed"
    HEAT = "heat"


class Voice(StrEnum):
    """Which orders go out: all, only those that end heat, or none while another process commands."""

    FULL = "full"
    OPENINGS = "openings"
    SILENT = "silent"


@dataclass(frozen=True, slots=True)
class Kept:
    """What is kept of a stand's life: by whoever holds the data folder, or by nobody."""

    is_possible: Callable[[Moment], bool]
    decision: Callable[[Keeper, Decision], None]
    runs: Callable[[list[RunEvent]], None]
    epoch: Callable[[int], None]


NOTHING = Kept(lambda now: True, lambda keeper, decision: None, lambda events: None, lambda epoch: None)


class Stand:
    """The enclosure `name`, its readings and its node.

    Parameters
    ----------
    standing
        What stands against heat when the test begins; it is never armed by it, so the tick itself wants no heat.
    client
        Name of this broker session; the controller's own session stays at the broker and misses nothing.
    broken_at
        Where the journal's chain breaks; 0 if it holds.
    """

    def __init__(
        self, settings: Settings, name: str, clock: Clock, standing: Standing, epoch: int, client: str,
        kept: Kept = NOTHING, broken_at: int = 0,
    ) -> None:  # fmt: skip
        known = settings.named(name)
        if known is None:
            raise SettingsError([f"no enclosure {name!r}; there are {', '.join(e.name for e in settings.enclosure)}"])
        self.settings, self.enclosure, self.clock, self.epoch = settings, known, clock, epoch
        plan = plan_for(settings, known)
        self.keeper = Keeper(plan, enclosure.start(plan, replace(standing, armed=False)), log_for(known))
        self.rehearsal: Keeper | None = None
        self.wish, self.voice, self.order = Wish.DISARMED, Voice.FULL, JUST_STARTED
        self.closed_order_s = self.open_order_s = float("-inf")
        self._kept, self._broken_at = kept, broken_at
        self._values: dict[tuple[str, str], deque[float]] = {}
        self._epochs, self._looked_s = Epochs(), float("-inf")
        self._sent: Sent | None = None
        self._routing = Routing(settings)
        heard = (*self._routing.probe_topics, *self._routing.state_topics)
        self.inbox = Inbox(settings, client, (), heard, clock)
        self.relays = Relays(settings, self.inbox.client, epoch, IDENTITY, clock.now())

    @property
    def plan(self) -> Plan:
        """The enclosure's plan."""
        return self.keeper.plan

    @property
    def report(self) -> NodeReport | None:
        """What the node last said under our command."""
        return self.keeper.state.node

    @property
    def is_closed(self) -> bool:
        """Whether the node last reported K1 closed."""
        return self.report is not None and self.report.on

    @property
    def is_tripped(self) -> bool:
        """Whether anything has latched, the rehearsal's own trip aside."""
        return bool(self.keeper.state.standing.trips)

    def open(self) -> None:
        """Connect."""
        self.inbox.open()

    def close(self) -> None:
        """Leave; what was last ordered stands no longer than its lease."""
        self.relays.close()
        self.inbox.close()

    def value(self, where: str, probe: str) -> float | None:
        """Return the median of a probe's last three readings, any enclosure's, or None before the first."""
        known = self._values.get((where, probe))
        return median(known) if known else None

    def until(self, holds: Callable[[], bool], within_s: float) -> bool:
        """Turn until `holds()`, at most `within_s` [s]; returns whether it does."""
        end_s = self.clock.now().mono_s + within_s
        while not holds():
            if self.clock.now().mono_s >= end_s:
                return False
            self.turn()
        return True

    def rest(self, for_s: float) -> None:
        """Turn for `for_s` [s]."""
        self.until(lambda: False, for_s)

    def send_again(self) -> None:
        """Let the next turn send its order, whatever was sent before."""
        self._sent = None

    def command_under(self, epoch: int) -> None:
        """Command under a later epoch from now on, and have that kept."""
        self.epoch = epoch
        self.relays.raise_epoch(epoch)
        self._kept.epoch(epoch)

    def turn(self, wait_s: float = TURN_S) -> None:
        """Take what has come, judge it, order what the gate allows."""
        for message in self.inbox.drain(wait_s):
            self._take(message)
        now = self.clock.now()
        if now.mono_s - self._looked_s >= limits.TICK_S:
            self._looked_s = now.mono_s
            self.inbox.look(now)
            self._kept.runs(self.keeper.heater.lapse(now.mono_s))
        self._decide(now)

    def _take(self, message: Message) -> None:
        if message.topic in self._routing.states:
            if self._routing.states[message.topic] == self.enclosure.name and not message.retained:
                self._take_report(message)
            return
        for reading in self._routing.readings(message):
            if not reading.retained:
                self._values.setdefault((reading.enclosure, reading.probe), deque(maxlen=3)).append(reading.value)
            if reading.enclosure == self.enclosure.name:
                self.keeper.readings.append(reading)

    def _take_report(self, message: Message) -> None:
        try:
            report = decode_report(message.payload, message.arrived)
        except WireError:
            return
        if report is None or is_repeat(report, self.keeper.heater.newest):
            return
        by_another = report.by not in ("", IDENTITY)
        verdict = self._epochs.heard(self.enclosure.name, report.epoch, self.epoch, by_another=by_another)
        if verdict is Epoch.OVERTAKE:
            self.command_under(report.epoch + 1)
            self.send_again()
        elif verdict is Epoch.OURS:
            self._kept.runs(self.keeper.heater.take(report, self.keeper.state.why_open))
            self.keeper.reports.append(report)

    def _decide(self, now: Moment) -> None:
        link = self.inbox.link_now
        shell = Inputs(
            connected=link.connected,
            resumed_s=link.resumed_s,
            wire_fault=link.fault,
            journal_ok=self._kept.is_possible(now),
            # While we are silent another commands, and what the node obeys is not ours.
            seq=0 if self.voice is Voice.SILENT else self.relays.seq_of[self.enclosure.name],
            broken_at=self._broken_at,
        )
        keepers = [self.keeper]
        if self.rehearsal is not None:
            self.rehearsal.readings, self.rehearsal.reports = [*self.keeper.readings], [*self.keeper.reports]
            keepers.append(self.rehearsal)
        decision, *_ = [each.tick(shell, now) for each in keepers]
        permissives = [each for keeper in keepers for each in keeper.state.permissives]
        trips = [each for keeper in keepers for each in keeper.state.standing.trips]
        self.order = gate.decide(self.wish is Wish.HEAT, self.wish is not Wish.DISARMED, permissives, trips)
        # The tick's own order knows nothing of the step's wish; what was really ordered is what it must compare with.
        self.keeper.state.order = self.order
        self._send(link.connected, lambda: self._kept.decision(self.keeper, decision), now)

    def _send(self, connected: bool, keep: Callable[[], None], now: Moment) -> None:
        """Send an opening before anything is kept, a closing only after."""
        if not connected:
            self._sent = None
        due = self.voice is not Voice.SILENT and lease.due(self.order, self._sent, now.mono_s, self.plan.lease_s)
        due = connected and due
        if due and not self.order.on:
            self._out(self.order, now)
        keep()
        if due and self.order.on and self.voice is Voice.FULL:
            self._out(self.order, now)

    def _out(self, order: Order, now: Moment) -> None:
        self.relays.send(self.enclosure.name, order, now)
        was_on = self._sent is not None and self._sent.order.on
        if order.on and not was_on:
            self.closed_order_s = now.mono_s
        elif was_on and not order.on:
            self.open_order_s = now.mono_s
        self._sent = Sent(order, now.mono_s)
