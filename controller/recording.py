"""What a tick leaves on disk: journal entries, readings with their grades, orders, heater runs."""

from collections.abc import Iterator, Mapping, Sequence
from types import MappingProxyType

from controller import beginning
from controller.clock import Clock, Moment
from controller.enclosure import Decision
from controller.heater_log import told_by
from controller.keeper import Keeper, stored
from controller.memory import Memory
from controller.order_log import OrderLog
from controller.routing import Routing
from controller.safety import limits
from controller.settings import Settings
from controller.status import Grade
from controller.store.heads import sealer_of
from controller.store.journal import JSON, Entry
from controller.store.retention import Retention
from controller.store.runs import RunEvent
from controller.store.writer import Writer, readings_patience
from controller.wire.session import window

UNRECORDED = "the disk takes nothing, and without a record there is no heat: free it, or see whether it can be written"
SET_BACK = "the count of closings had gone back; it goes on from the {} runs on record"


def writer_of(settings: Settings, clock: Clock) -> Writer:
    """Open the writer of a site's record."""
    store = settings.store
    patience = readings_patience(store.rest_s, window(settings.broker))
    return Writer(store.folder, clock, sealer=sealer_of(store), retention=Retention(store), patience=patience)


class Recording:
    """The writer, as the loop uses it."""

    def __init__(self, writer: Writer, memory: Memory, routing: Routing) -> None:
        self._writer, self._memory, self._routing = writer, memory, routing
        self._orders = {name: OrderLog(name) for name in routing.refused}

    def is_possible(self, now: Moment) -> bool:
        """Whether what happens is kept: standing orders at once, the record within a minute (hazards D01, D02)."""
        since_s = self._writer.failing_since_s
        return self._memory.is_saved and (since_s is None or now.mono_s - since_s <= limits.UNRECORDED_S)

    def notes(self, now: Moment) -> Iterator[tuple[str, str]]:
        """Yield (name, words) of what a person should know of the files."""
        if not self.is_possible(now):
            yield "unrecorded", UNRECORDED
        if words := self._writer.journal_damage:
            yield "journal-damaged", words
        if words := self._writer.refusal:
            yield "not-kept", f"not kept on record: {words}"

    def enter(
        self, kind: str, name: str | None, why: str, now: Moment, more: Mapping[str, JSON] = MappingProxyType({})
    ) -> None:
        """Enter what the shell itself has to say in the journal."""
        body = {"epoch": self._memory.epoch, **more}
        self._writer.put_journal(Entry(kind, name, "soilward", why, body, now.utc_ms))

    def began(self, settings: Settings, now: Moment) -> None:
        """Enter in the journal that we begin, and what we begin with."""
        memory = self._memory
        body = beginning.body_of(settings, memory.recalled)
        self.enter("start", None, f"controller started, epoch {memory.epoch}", now, body)
        for name, count in memory.set_back.items():
            self.enter("counter", name, SET_BACK.format(count), now)
        for name, standing in memory.recalled.items():
            for trip in standing.trips:
                self.enter("still-latched", name, trip.detail, now)

    def put_runs(self, events: Sequence[RunEvent]) -> None:
        """Keep what became of a heater run, or of an order."""
        for event in events:
            self._writer.put_run(event)

    def put(self, keeper: Keeper, decision: Decision, now: Moment) -> bool:
        """Queue all that a decision leaves; returns whether there was room for its readings.

        An entry that finds none comes no other time: told again, readings would bring it no nearer, and be kept twice.
        """
        self.put_runs(self._orders[keeper.plan.name].take(keeper.state, now))
        kept = True
        for entry in decision.entries:
            self._writer.put_journal(entry)
        for reading, judged in decision.judged:
            if judged.grade is Grade.REFUSED:
                self._routing.refused[keeper.plan.name]["implausible"] += 1
            if judged.grade is Grade.GOOD and reading.probe == keeper.heater.witness:
                quantity = keeper.plan.watches[reading.probe].quantity
                self.put_runs(keeper.heater.take(told_by(reading, quantity), keeper.state.why_open))
            row = stored(keeper.plan, reading, judged.grade, judged.taken_ms)
            if row is not None:
                # Nobody waits for this row: its message is acknowledged with the receipt behind it.
                kept = self._writer.put_reading(row) and kept
        return kept
