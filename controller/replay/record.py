"""What a data folder holds of a controller's life, in the order it happened: the input of a replay."""

import json
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from controller import beginning
from controller.beginning import Beginning
from controller.heater_log import LET_GO
from controller.probe import Reading
from controller.probe_state import Watch
from controller.safety.trip import Trip, TripKind
from controller.status import Grade
from controller.store.connection import snapshot
from controller.store.requests import Request
from controller.store.stretch import Stretches


@dataclass(frozen=True, slots=True)
class Session:
    """One life of the controller, from its start to its stop or, where it was killed, to the last word on record.

    Parameters
    ----------
    began
        None where the entry does not say what it began with.
    refused
        By enclosure, how many messages and readings were refused; None where it was killed.
    """

    start_ms: int
    end_ms: int
    began: Beginning | None
    refused: dict[str, int] | None


@dataclass(frozen=True, slots=True)
class Heard:
    """A reading as it was kept, with the grade it was given."""

    reading: Reading
    grade: Grade


@dataclass(frozen=True, slots=True)
class Contact:
    """The contact closed, or opened: `let_go` where the node did so by itself, `unheard` where it told so later."""

    closed: bool
    let_go: bool = False
    unheard: bool = False


@dataclass(frozen=True, slots=True)
class Answered:
    """A request, and what the controller made of it."""

    request: Request
    outcome: str


_LAST_ORDER = "SELECT max(at_ms) FROM order_change WHERE at_ms BETWEEN ? AND ?"


def sessions(journal: sqlite3.Connection, readings: sqlite3.Connection) -> list[Session]:
    """Return every life of the controller on record, oldest first."""
    found = journal.execute(
        "SELECT kind, at_ms, body FROM journal WHERE kind IN ('start', 'stop') ORDER BY sequence"
    ).fetchall()
    lives = []
    for (kind, at_ms, body), after in zip(found, [*found[1:], None], strict=True):
        if kind == "stop":
            continue
        end_ms, refused = after[1] if after else 253402300799999, None
        if after and after[0] == "stop":
            refused = json.loads(after[2]).get("refused")
        else:
            end_ms = _last_word_ms(readings, at_ms, end_ms)
        lives.append(Session(at_ms, end_ms, beginning.from_body(json.loads(body)), refused))
    return lives


def _last_word_ms(readings: sqlite3.Connection, start_ms: int, end_ms: int) -> int:
    (order_ms,) = readings.execute(_LAST_ORDER, (start_ms, end_ms)).fetchone()
    with snapshot(readings):
        heard_ms = Stretches(readings).last_heard_ms(start_ms, end_ms)
    return max(start_ms, order_ms or 0, heard_ms or 0)


def heard(
    readings: sqlite3.Connection, enclosure: str, watches: dict[str, Watch], session: Session
) -> Iterator[tuple[int, Heard]]:
    """Yield (arrival [ms UTC], reading) of the probes in settings.

    A probe whose every reading is filed under its arrival gave no stamp. Stamped history that was not old had been
    retained by the broker.
    """
    names = dict(readings.execute("SELECT id, name FROM probe WHERE enclosure = ?", (enclosure,)).fetchall())
    probes = [probe for probe, name in names.items() if name in watches]
    span = (session.start_ms, session.end_ms)
    record = Stretches(readings)
    stamped = {names[row[0]] for row in record.heard(probes, *span) if row[1] != row[2]}
    for probe, taken_ms, arrived_ms, value, grade in record.heard(probes, *span):
        name = names[probe]
        young = arrived_ms - taken_ms <= watches[name].stale_after_s * 1000
        retained = grade == Grade.HISTORY and name in stamped and young
        stamp_ms, arrived_s = (taken_ms if name in stamped else None), (arrived_ms - session.start_ms) / 1000
        reading = Reading(enclosure, name, value, stamp_ms, arrived_ms, arrived_s, "", retained)
        yield arrived_ms, Heard(reading, Grade(grade))


def contacts(readings: sqlite3.Connection, enclosure: str, session: Session) -> Iterator[tuple[int, Contact]]:
    """Yield (when [ms UTC], contact) from the heater runs."""
    found = readings.execute(
        "SELECT start_ms, end_ms, ended_by FROM heater_run "
        "WHERE enclosure = ? AND start_ms BETWEEN ? AND ? ORDER BY id",
        (enclosure, session.start_ms, session.end_ms),
    )
    for start_ms, end_ms, ended_by in found:
        yield start_ms, Contact(True)
        if end_ms is not None and end_ms <= session.end_ms:
            unheard = ended_by == f"node silent{LET_GO}"
            yield end_ms, Contact(False, "let go by itself" in ended_by and not unheard, unheard)


def _journalled(
    journal: sqlite3.Connection, kind: str, enclosure: str, session: Session
) -> Iterator[tuple[int, str, str, dict[str, Any]]]:
    found = journal.execute(
        "SELECT at_ms, who, why, body FROM journal WHERE kind = ? AND enclosure = ? AND at_ms BETWEEN ? AND ? "
        "ORDER BY sequence",
        (kind, enclosure, session.start_ms, session.end_ms),
    )
    for at_ms, who, why, body in found:
        yield at_ms, who, why, json.loads(body)


def answers(journal: sqlite3.Connection, enclosure: str, session: Session) -> Iterator[tuple[int, Answered]]:
    """Yield (when [ms UTC], request with its answer); a request is as old as its answer, which says no more of it."""
    for at_ms, who, why, body in _journalled(journal, "answer", enclosure, session):
        request = Request(body["request"], at_ms, enclosure, body["asked"], body["arguments"], who, why)
        yield at_ms, Answered(request, body["outcome"])


def trips(journal: sqlite3.Connection, enclosure: str, session: Session) -> Iterator[tuple[int, Trip]]:
    """Yield (when [ms UTC], trip) as they latched."""
    for at_ms, _, why, body in _journalled(journal, "trip", enclosure, session):
        kind = TripKind(str(body["trip"]).partition(":")[0])
        yield at_ms, Trip(kind, body["probe"], body["value"], body["limit"], at_ms, why)
