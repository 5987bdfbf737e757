"""`soilward simulate --replay`: every life on record once more; what agrees, what differs, what is unknown.

Exit status: 0 when all decisions agree, 1 when any differs or none could be replayed.
"""

import sqlite3
from collections.abc import Iterator
from contextlib import ExitStack, closing
from dataclasses import dataclass
from pathlib import Path

from controller.beginning import digest
from controller.clock import OLDEST_BELIEVABLE_MS, from_rfc3339, rfc3339
from controller.control.foresight import BELIEVED_S, Foresight
from controller.enclosure_settings import Enclosure
from controller.errors import SoilwardError
from controller.load_settings import load
from controller.plan import Plan, plan_for
from controller.plant.simulate import coarse
from controller.proving import commissioned
from controller.replay import record
from controller.replay.compare import Comparison, compare
from controller.replay.decided import Rerun
from controller.replay.record import Session
from controller.replay.rerun import rerun
from controller.safety import limits
from controller.settings import Settings
from controller.store import plans
from controller.store.connection import open_reader

WITHIN_MS = 5000
"""[ms] A replayed decision this near to the recorded one is the same: ticks of a second have their own phase."""

NOT_ON_RECORD = (
    "not on record, and so not judged: refused readings; the node's current, faults, clock and refusals (its trips and "
    "the conditions that depend on it, on the broker or on the disk are taken from the record); steps of the wall "
    "clock; pauses of the controller; when a request was filed"
)


@dataclass(frozen=True, slots=True)
class Asked:
    """What to replay: a data folder, one enclosure or all (""), and between which instants [ms UTC] to compare."""

    folder: Path
    settings: Path | None
    enclosure: str
    start_ms: int
    end_ms: int


def asked_of(folder: Path, settings: Path | None, enclosure: str | None, start: str | None, end: str | None) -> Asked:
    """Return what is asked for.

    Raises
    ------
    SoilwardError
        If a time cannot be read.
    """
    try:
        start_ms = 0 if start is None else from_rfc3339(start)
        end_ms = 253402300799999 if end is None else from_rfc3339(end)
    except ValueError as error:
        raise SoilwardError(f"{error}; write times as 2026-03-01T04:00:00Z") from error
    return Asked(folder, settings, enclosure or "", start_ms, end_ms)


def replay(asked: Asked) -> int:
    """Replay and print; returns the exit status."""
    file = asked.settings or _settings_in(asked.folder)
    settings = load(file)
    if asked.enclosure and settings.named(asked.enclosure) is None:
        raise SoilwardError(f"{file}: has no enclosure {asked.enclosure!r}; name one of its enclosures")
    chosen = [each for each in settings.enclosure if asked.enclosure in ("", each.name)]
    compared = list(_all(asked, settings, chosen))
    print(NOT_ON_RECORD if compared else "nothing on record could be replayed")
    return 0 if compared and all(not each.differences for each in compared) else 1


def _settings_in(folder: Path) -> Path:
    inside = folder / "soilward.toml"
    return inside if inside.exists() else Path("soilward.toml")


def _all(asked: Asked, settings: Settings, chosen: list[Enclosure]) -> Iterator[Comparison]:
    with ExitStack() as stack:
        journal = stack.enter_context(closing(open_reader(asked.folder / "journal.db")))
        readings = stack.enter_context(closing(open_reader(asked.folder / "readings.db")))
        if readings.execute("SELECT 1 FROM sqlite_schema WHERE name = 'order_change'").fetchone() is None:
            raise SoilwardError(f"{asked.folder}: holds no orders, its controller was older; nothing can be compared")
        for session in record.sessions(journal, readings):
            if session.end_ms < asked.start_ms or session.start_ms > asked.end_ms:
                continue
            print(f"started {rfc3339(session.start_ms)}, on record until {rfc3339(session.end_ms)}")
            yield from _session(asked, settings, chosen, session, journal, readings)


def _session(
    asked: Asked,
    settings: Settings,
    chosen: list[Enclosure],
    session: Session,
    journal: sqlite3.Connection,
    readings: sqlite3.Connection,
) -> Iterator[Comparison]:
    if session.began is None:
        print("  its start does not say what it began with: not replayed")
        return
    if session.start_ms < OLDEST_BELIEVABLE_MS:
        # Set meanwhile, the clock has gone through years, and the replay would tick through each of their seconds.
        print("  it began with a clock that was not set yet: not replayed")
        return
    if session.began.settings != digest(settings):
        print("  its settings were others than these: differences may come from that")
    for enclosure in chosen:
        standing = session.began.standing.get(enclosure.name)
        if standing is None:
            print(f"  {enclosure.name}: was not in its settings: not replayed")
            continue
        answer = commissioned.last_answer(journal, enclosure.name, session.start_ms)
        plan = commissioned.judged_by(_plan(settings, enclosure, session.began.tick_s), enclosure, answer)
        foreseen = _plans(asked.folder, enclosure.name, session)
        found = rerun(journal, readings, plan, standing, session, asked.end_ms, foreseen)
        end_ms = min(session.end_ms, asked.end_ms)
        result = compare(found.recorded, found.replayed, found.reasons, asked.start_ms, end_ms, WITHIN_MS)
        _tell(enclosure.name, session, found, result)
        yield result


def _plans(folder: Path, name: str, session: Session) -> list[Foresight]:
    """Return the plans that may have held in a session; none where no planner ran."""
    if not (folder / "plans.db").exists():
        return []
    with closing(open_reader(folder / "plans.db")) as connection:
        return plans.plans_from(connection, name, session.start_ms - round(1000 * BELIEVED_S), session.end_ms)


def _plan(settings: Settings, enclosure: Enclosure, tick_s: float) -> Plan:
    plan = plan_for(settings, enclosure, tick_s)
    return plan if tick_s == limits.TICK_S else coarse(plan, tick_s)


def _tell(name: str, session: Session, found: Rerun, result: Comparison) -> None:
    print(f"  {name}: {result.recorded} decisions on record, {result.agreed} agree")
    for each in result.differences:
        print(f"    {rfc3339(each.at_ms)}\n      recorded: {each.recorded}\n      replayed: {each.replayed}")
    if result.cut:
        print(f"    {result.cut} so near the end that their counterpart may lie beyond it")
    if found.given:
        print(f"    {found.given} of its trips are taken from the record, as what caused them is not in it")
    print(f"    {found.graded_alike} of {found.readings} readings kept are graded as they were")
    if session.refused is None:
        print("    how many messages and readings were refused is not on record; those are not kept")
    else:
        print(f"    {session.refused.get(name, 0)} messages and readings were refused; those are not kept")
