"""Three weeks before now, computed through the real tick and written into the demo's store."""

import json
import signal
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass, replace
from multiprocessing import get_context
from multiprocessing.process import BaseProcess
from pathlib import Path
from queue import Empty
from typing import Any

from controller import beginning, standing
from controller.clock import Moment
from controller.demo import scenario
from controller.errors import SoilwardError
from controller.heater_log import HeaterLog
from controller.keeper import stored
from controller.load_settings import load
from controller.order_log import OrderLog
from controller.plan import plan_for
from controller.plant.enclosure_plant import EnclosurePlant
from controller.plant.simulate import Run, Ticked, coarse
from controller.settings import Settings
from controller.standing import Kept, Standing
from controller.store import journal, runs
from controller.store.connection import open_writer, transaction
from controller.store.journal import Entry
from controller.store.keeping import Keeping
from controller.store.migrations import JOURNAL, READINGS
from controller.store.readings import StoredReading
from controller.store.requests import Request
from controller.store.runs import RunEvent

DAY_S = 86_400
CHUNK_DAYS = 0.5
PATIENCE_S = 1.0
"""[s] between two looks whether somebody wants it stopped, and whether all who compute still live."""
BEGINS_WITH = Standing(armed=True)


@dataclass(frozen=True, slots=True)
class Chunk:
    """Half a day of one enclosure, ready to be written; `done` 0..1 tells how far it is.

    `rows` are stored readings as bare tuples: they cross to the writing process in a third of the time.
    """

    enclosure: str
    done: float
    rows: list[tuple[Any, ...]]
    events: list[RunEvent]
    entries: list[Entry]
    plant: dict[str, Any]
    standing: Standing


def _compute(settings_file: str, name: str, start_ms: int, days: float, queue: Any) -> None:
    """Compute one enclosure's weeks in a process of its own, handing over half days."""
    settings = load(Path(settings_file))
    enclosure = settings.named(name)
    if enclosure is None:
        raise KeyError(name)
    plan = coarse(plan_for(settings, enclosure, scenario.TICK_S), scenario.TICK_S)
    plant = scenario.plant_for(enclosure, start_ms)
    run = Run(plan, plant, Moment(0.0, start_ms), BEGINS_WITH, scenario.TICK_S)
    heater, orders = HeaterLog(name, plan.rated_w, plan.volts, silent_after_s=2 * scenario.TICK_S), OrderLog(name)
    chunk_ticks = round(CHUNK_DAYS * DAY_S / scenario.TICK_S)
    total = round(days * DAY_S / scenario.TICK_S)
    # Of no days at all there is one empty chunk: it carries the plant, and says that this is all.
    for first in range(0, max(total, 1), chunk_ticks):
        rows: list[tuple[Any, ...]] = []
        events: list[RunEvent] = []
        entries: list[Entry] = []
        for _ in range(first, min(first + chunk_ticks, total)):
            scenario.let_happen(name, plant, start_ms)
            # What the report shows open was opened by the order before this tick's.
            because = run.state.why_open
            ticked = run.once(_visitor(run, plant, start_ms))
            entries += ticked.decision.entries
            events += [*heater.take(ticked.report, because), *orders.take(run.state, ticked.now)]
            rows += _rows(run, ticked)
        done = min(1.0, (first + chunk_ticks) / max(total, 1))
        queue.put(Chunk(name, done, rows, events, entries, plant.state(), run.state.standing))


def _rows(run: Run, ticked: Ticked) -> Iterator[tuple[Any, ...]]:
    for reading, judged in ticked.decision.judged:
        row = stored(run.plan, reading, judged.grade, judged.taken_ms)
        if row is not None:
            yield tuple(row)


def _visitor(run: Run, plant: EnclosurePlant, start_ms: int) -> tuple[Request, ...]:
    """The keeper finds the trip, clears the leaves and resets it with a reason."""
    trips = run.state.standing.trips
    if not trips or not scenario.keeper_comes(plant, start_ms):
        return ()
    why = "leaves lay on the intake; cleared, heater looks sound"
    return (Request(0, run.now.utc_ms, run.plan.name, "reset", {"trip": trips[0].name}, "keeper", why),)


def _work(settings_file: str, name: str, start_ms: int, days: float, queue: Any) -> None:
    """A worker's whole life; Ctrl-C is the parent's business, which ends its workers itself."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        _compute(settings_file, name, start_ms, days, queue)
    except Exception as error:  # told to the parent, which raises it
        queue.put(f"{name}: {type(error).__name__}: {error}")


def compute(settings_file: Path, folder: Path, end_ms: int, days: float, tell: Callable[[float], None]) -> None:
    """Compute the weeks before `end_ms` [ms UTC] into the folder's databases, using every core.

    Parameters
    ----------
    tell
        Called with the part done, 0..1; what it raises ends the work.

    Raises
    ------
    SoilwardError
        If a worker failed.
    """
    settings = load(settings_file)
    names = [each.name for each in settings.enclosure]
    start_ms = end_ms - round(days * DAY_S * 1000)
    context = get_context("spawn")
    queue = context.Queue(6)
    workers = [
        context.Process(target=_work, args=(str(settings_file), name, start_ms, days, queue), daemon=True)
        for name in names
    ]
    for worker in workers:
        worker.start()
    try:
        last = _write(folder, names, _Coming(queue, workers), tell)
    finally:
        for worker in workers:
            worker.terminate()
            worker.join()
    _conclude(settings, last, start_ms)


def _conclude(settings: Settings, last: dict[str, Chunk], start_ms: int) -> None:
    """Write the journal, the standing orders and the plants' last states; their absence marks an unfinished history."""
    entries = sorted((entry for chunk in last.values() for entry in chunk.entries), key=lambda each: each.at_ms)
    folder, why = settings.store.folder, "demo history begins; every value in it is made by seed"
    began = beginning.body_of(settings, dict.fromkeys(last, BEGINS_WITH), scenario.TICK_S)
    first = Entry("start", None, "soilward", why, began, start_ms)
    with closing(open_writer(folder / "journal.db", JOURNAL)) as connection:
        journal.append(connection, [first, *entries])
    standing.save(folder / "standing.json", Kept(1, {name: chunk.standing for name, chunk in last.items()}))
    plants = {"start_ms": start_ms, "plants": {name: chunk.plant for name, chunk in last.items()}}
    (folder / "plants.json").write_text(json.dumps(plants), encoding="utf-8")


@dataclass(frozen=True, slots=True)
class _Coming:
    """What the workers hand over."""

    queue: Any
    workers: Sequence[BaseProcess]

    def next(self) -> Chunk | None:
        """Return a chunk, or None where none has come for a while.

        Raises
        ------
        SoilwardError
            If a worker failed, or is gone without a word: where memory is short the system ends it.
        """
        try:
            chunk: Chunk | str = self.queue.get(timeout=PATIENCE_S)
        except Empty:
            if any(each.exitcode for each in self.workers):
                raise SoilwardError(
                    "the demo's history failed: a process that computed it was ended from outside, perhaps for want of "
                    "memory; free some, or ask for less with --days"
                ) from None
            return None
        if isinstance(chunk, str):
            raise SoilwardError(f"the demo's history failed: {chunk}")
        return chunk


def _write(folder: Path, names: list[str], coming: _Coming, tell: Callable[[float], None]) -> dict[str, Chunk]:
    """Write chunks as they come; returns each enclosure's last, with the entries of all of its chunks."""
    last: dict[str, Chunk] = {}
    with closing(open_writer(folder / "readings.db", READINGS)) as connection:
        keeping = Keeping(connection)
        while (done := sum(each.done for each in last.values())) < len(names):
            tell(done / len(names))
            chunk = coming.next()
            if chunk is None:
                continue
            with transaction(connection):
                keeping.add([StoredReading(*row) for row in chunk.rows])
                keeping.pack_much()
                for event in chunk.events:
                    runs.apply(connection, event)
            earlier = last[chunk.enclosure].entries if chunk.enclosure in last else []
            last[chunk.enclosure] = replace(chunk, rows=[], events=[], entries=earlier + chunk.entries)
        tell(1.0)
        keeping.pack_all()
    return last
