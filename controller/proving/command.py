"""`soilward proof-test`: one enclosure proved with its real node while no controller runs; told and journalled."""

from collections.abc import Iterator
from contextlib import ExitStack, closing, contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from controller import supervisor
from controller.clock import Clock
from controller.enclosure_settings import Enclosure
from controller.errors import SoilwardError, StoreError
from controller.memory import end_left_open_runs, journal_breaks_at, memory_of
from controller.proving.account import KIND, Account, Outcome, from_entry
from controller.proving.bench import Bench, Cut, Patience
from controller.proving.person import Person
from controller.proving.record import Record
from controller.proving.sequence import NAMES, STEPS, not_reached, outcomes
from controller.proving.stand import Stand, Wish
from controller.settings import Settings
from controller.standing import Standing
from controller.store import journal
from controller.store.connection import Lock, open_reader
from controller.store.damage import require_sound_journal, sound_or_aside
from controller.store.heads import sealer_of
from controller.store.writer import Writer
from controller.wire import embedded

CLIENT = "soilward-proof-test"
OPENS_S = 3.0

CAUTIONS = """Before you begin:
- Anything inside a box with mains in it is for a licensed electrician, and the thermal cut-out and the earth-fault
  breaker are tested and signed for first. This test replaces neither.
- Real heat will flow. Stay beside the heater, hand on its isolator; be two if you can.
- No other enclosure of the site is heated meanwhile, and the pages' stop button reaches nobody.
- Ctrl-C opens the contacts at any moment. Should the node not follow: isolate."""


@dataclass(frozen=True, slots=True)
class Asked:
    """What was asked: which enclosure, by whom and why, which steps, and whether the relay is new."""

    enclosure: str
    who: str
    why: str
    only: tuple[str, ...] = ()
    skip: tuple[str, ...] = ()
    new_relay: bool = False
    patience: Patience = field(default_factory=Patience)

    @property
    def chosen(self) -> tuple[str, ...]:
        """The steps to take."""
        return tuple(each for each in self.only or NAMES if each not in self.skip)


def prove(settings: Settings, settings_file: Path, asked: Asked, person: Person, clock: Clock) -> Account:
    """Prove one enclosure; whatever happens, its contacts are told to open and what was found is journalled.

    Raises
    ------
    SoilwardError
        If it cannot begin: a controller runs, the enclosure is unknown, has no node, or is locked off, or the journal
        is damaged.
    """
    known = _provable(settings, asked.enclosure)
    _refuse_unknown_steps((*asked.only, *asked.skip))
    folder = settings.store.folder
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    with ExitStack() as last:
        last.callback(_hold(folder).release)
        aside = sound_or_aside(folder, clock.now().utc_ms)
        require_sound_journal(folder)
        memory = memory_of(settings, clock.now().utc_ms)
        _refuse_locked_off(known.name, memory.recalled[known.name])
        person.tell(CAUTIONS)
        cut = last.enter_context(_broker(settings))
        end_left_open_runs(folder)
        broken_at, before = journal_breaks_at(settings.store), last_account(folder, known.name)
        writer = Writer(folder, clock, sealer=sealer_of(settings.store))
        last.callback(writer.close)
        if aside is not None:
            writer.tell_damage(aside)
        record = Record(memory, writer, known.name)
        stand = Stand(settings, known.name, clock, record.standing, memory.epoch, CLIENT, record.kept, broken_at)
        writer.start()
        return _run(Bench(stand, person, settings_file, asked.patience, before, cut), asked, record)


def _provable(settings: Settings, name: str) -> Enclosure:
    known = settings.named(name)
    if known is None:
        names = ", ".join(each.name for each in settings.enclosure)
        raise SoilwardError(f"enclosure {name!r} is not in the settings; there are: {names}")
    if known.heater.relay != "node":
        raise SoilwardError(
            f"enclosure {name!r} has a plain relay, which knows no lease and proves nothing; only a relay node can be "
            'proved (heater.relay = "node")'
        )
    return known


def _refuse_unknown_steps(named: tuple[str, ...]) -> None:
    for each in named:
        if each not in NAMES:
            raise SoilwardError(f"there is no step {each!r}; the steps are: {', '.join(NAMES)}")


def _hold(folder: Path) -> Lock:
    try:
        return Lock(folder / "controller.db")
    except StoreError as error:
        raise StoreError(
            f"a controller runs on {folder}: stop `soilward run` first, then prove, then start it again ({error})"
        ) from error


def _refuse_locked_off(name: str, standing: Standing) -> None:
    if standing.trips:
        raise SoilwardError(
            f"enclosure {name!r} is locked off: {standing.trips[0].detail}; find the cause and reset it under "
            "`soilward run` first"
        )


@contextmanager
def _broker(settings: Settings) -> Iterator[Cut | None]:
    """Run the embedded broker where the settings ask for it; yield how it can be cut."""
    if settings.broker.kind != "embedded":
        yield None
        return
    with supervisor.out_of_the_terminals_reach():
        broker = embedded.start(settings)

    def again() -> None:
        with supervisor.out_of_the_terminals_reach():
            embedded.begin(broker)

    try:
        yield Cut(broker.stop, again)
    finally:
        broker.stop()


def last_account(folder: Path, name: str) -> Account | None:
    """Return the newest test on record in which the heat pulse was measured, or None."""
    if not (folder / "journal.db").exists():
        return None
    with closing(open_reader(folder / "journal.db")) as connection:
        entries = journal.read(connection, name, KIND, limit=50)
    accounts = (from_entry(each) for each in entries)
    return next((each for each in accounts if each is not None and _pulsed(each)), None)


def _pulsed(account: Account) -> bool:
    return any("lag_s" in each.figures for each in account.outcomes)


def _run(bench: Bench, asked: Asked, record: Record) -> Account:
    """Take the steps; whatever ends them, the contacts are told to open and what was found is journalled."""
    began_s, found, aborted = bench.stand.clock.now().mono_s, list[Outcome](), True
    try:
        bench.stand.open()
        for outcome in outcomes(bench, asked.chosen):
            found.append(outcome)
        aborted = False
    except KeyboardInterrupt:
        bench.person.tell("\naborted: the contacts are told to open")
    finally:
        has_opened = _open_contacts(bench.stand)
        found += [not_reached(step) for step in STEPS[len(found) :]]
        now = bench.stand.clock.now()
        account = Account(
            asked.enclosure, asked.who, asked.why, now.utc_ms, now.mono_s - began_s, asked.new_relay, aborted,
            tuple(found),
        )  # fmt: skip
        try:
            record.finish(account)
        finally:
            if not has_opened:
                bench.person.tell(f"its contact is not reported open {OPENS_S:g} s after: ISOLATE THE HEATER")
    return account


def _open_contacts(stand: Stand) -> bool:
    """Order both open, leave, and return whether K1 was reported open."""
    stand.rehearsal, stand.wish = None, Wish.DISARMED
    stand.send_again()
    stand.turn(0.0)
    has_opened = stand.until(lambda: not stand.is_closed, OPENS_S)
    stand.close()
    return has_opened
