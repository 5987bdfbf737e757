"""Plans and what was learnt of each enclosure: written by the planner alone, read by the controller and the pages."""

import json
import logging
import sqlite3
from collections.abc import Callable, Iterable, Iterator
from dataclasses import asdict, dataclass
from itertools import islice
from typing import Any, TypeVar

from controller.control.foresight import Foresight
from controller.control.pid import Gains
from controller.control.terms import FeedForward
from controller.control.thermal import ThermalModel
from controller.control.tuned import Tuned

log = logging.getLogger("soilward.plans")
Row = TypeVar("Row")
KEPT_MS = 400 * 86_400_000
"""[ms] as long as raw readings are kept by default, so that such a night can be replayed."""


@dataclass(frozen=True, slots=True)
class Learnt:
    """What was learnt of an enclosure at an instant [ms UTC]: the model, and what is known of its figures.

    Parameters
    ----------
    figures
        Name to (value, low, high): nine times in ten the truth lies between.
    """

    at_ms: int
    model: ThermalModel
    figures: dict[str, tuple[float, float, float]]


def put_plan(connection: sqlite3.Connection, enclosure: str, plan: Foresight) -> None:
    """Keep a plan, and forget those older than any reading. One of the same start stands: it may be followed by now."""
    connection.execute(
        "INSERT INTO plan (enclosure, starts_ms, body) VALUES (?, ?, ?) ON CONFLICT DO NOTHING",
        (enclosure, plan.starts_ms, json.dumps(asdict(plan), allow_nan=False)),
    )
    connection.execute("DELETE FROM plan WHERE starts_ms < ?", (plan.starts_ms - KEPT_MS,))


def put_word(connection: sqlite3.Connection, enclosure: str, at_ms: int, word: str) -> None:
    """Keep what the planner last had to say: why there is no plan, or nothing."""
    connection.execute(
        "INSERT INTO word (enclosure, at_ms, word) VALUES (?, ?, ?) "
        "ON CONFLICT (enclosure) DO UPDATE SET at_ms = excluded.at_ms, word = excluded.word",
        (enclosure, at_ms, word),
    )


def put_learnt(connection: sqlite3.Connection, enclosure: str, learnt: Learnt) -> None:
    """Keep what was learnt, beside everything that was learnt before."""
    connection.execute(
        "INSERT INTO learnt (enclosure, at_ms, model, figures) VALUES (?, ?, ?, ?)",
        (enclosure, learnt.at_ms, json.dumps(asdict(learnt.model)), json.dumps(learnt.figures)),
    )


def has_learnt(connection: sqlite3.Connection, enclosure: str, at_ms: int) -> bool:
    """Whether something was learnt of an enclosure, or adopted, at an instant [ms UTC]."""
    found = connection.execute("SELECT 1 FROM learnt WHERE enclosure = ? AND at_ms = ?", (enclosure, at_ms))
    return found.fetchone() is not None


def put_carry(connection: sqlite3.Connection, enclosure: str, at_ms: int, carry: dict[str, Any] | None) -> None:
    """Keep what the coming night asks of the heater, in place of what was thought before."""
    connection.execute(
        "INSERT INTO carry (enclosure, at_ms, body) VALUES (?, ?, ?) "
        "ON CONFLICT (enclosure) DO UPDATE SET at_ms = excluded.at_ms, body = excluded.body",
        (enclosure, at_ms, json.dumps(carry, allow_nan=False)),
    )


def carry_of(connection: sqlite3.Connection, enclosure: str) -> tuple[int, dict[str, Any] | None] | None:
    """Return when [ms UTC] it was last thought about and what the coming night asks; None where that cannot be read."""
    found = connection.execute("SELECT at_ms, body FROM carry WHERE enclosure = ?", (enclosure,))
    return next(_readable(found, lambda at_ms, body: (int(at_ms), json.loads(body))), None)


def plans_from(connection: sqlite3.Connection, enclosure: str, start_ms: int, end_ms: int) -> list[Foresight]:
    """Return an enclosure's plans that start in [start_ms, end_ms] [ms UTC], oldest first; unreadable ones are none."""
    found = connection.execute(
        "SELECT body FROM plan WHERE enclosure = ? AND starts_ms BETWEEN ? AND ? ORDER BY starts_ms",
        (enclosure, start_ms, end_ms),
    )
    return list(_readable(found, _plan))


def starts_from(connection: sqlite3.Connection, start_ms: int, end_ms: int) -> list[tuple[str, int]]:
    """Return enclosure and start [ms UTC] of every plan that starts in [start_ms, end_ms] [ms UTC], oldest first."""
    found = connection.execute(
        "SELECT enclosure, starts_ms FROM plan WHERE starts_ms BETWEEN ? AND ? ORDER BY 2, 1", (start_ms, end_ms)
    )
    return found.fetchall()


def word_of(connection: sqlite3.Connection, enclosure: str) -> tuple[int, str] | None:
    """Return when [ms UTC] the planner last turned to an enclosure and what it said, or None."""
    row = connection.execute("SELECT at_ms, word FROM word WHERE enclosure = ?", (enclosure,)).fetchone()
    return None if row is None else (int(row[0]), str(row[1]))


def learnt_of(connection: sqlite3.Connection, enclosure: str, limit: int = 1) -> list[Learnt]:
    """Return what was learnt of an enclosure, newest first; unreadable lessons are none."""
    found = connection.execute(
        "SELECT at_ms, model, figures FROM learnt WHERE enclosure = ? ORDER BY id DESC", (enclosure,)
    )
    return list(islice(_readable(found, _learnt), limit))


def _readable(rows: Iterable[tuple[Any, ...]], read: Callable[..., Row]) -> Iterator[Row]:
    """Yield what can be read: a row that a failing card, or another program, has spoilt must not hide the others."""
    for row in rows:
        try:
            yield read(*row)
        except (ValueError, KeyError, TypeError, AttributeError) as error:
            log.warning("a plan or lesson cannot be read, and is left out: %r", error)


def _learnt(at_ms: int, model: str, figures: str) -> Learnt:
    return Learnt(at_ms, ThermalModel(**json.loads(model)), {k: tuple(v) for k, v in json.loads(figures).items()})


def _plan(body: str) -> Foresight:
    raw: dict[str, Any] = json.loads(body)
    tuned = raw.pop("tuned")
    parts: dict[str, Any] = {name: tuple(each) if isinstance(each, list) else each for name, each in raw.items()}
    return Foresight(**parts, tuned=None if tuned is None else _tuned(tuned))


def _tuned(raw: dict[str, dict[str, float]]) -> Tuned:
    return Tuned(ThermalModel(**raw["model"]), FeedForward(**raw["forward"]), Gains(**raw["gains"]))
