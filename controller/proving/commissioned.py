"""What the last proof test's heat pulse says of a heater: one that answered then is judged by its answer now.

Geometry must leave room for soil and contact that nobody has measured; a pulse has measured them. A cable's makes the
window of its answer shorter, never longer; an air heater's makes the limit of rise lower, never higher.
"""

import sqlite3
from collections.abc import Iterable
from contextlib import closing
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

from controller.enclosure_settings import Enclosure, HeaterKind
from controller.expected import warmed_k
from controller.plan import Plan
from controller.plant.construction import Construction
from controller.plant.from_settings import construction_of
from controller.probe import Quantity
from controller.proving.account import KIND, Account, Result, from_entry
from controller.safety import limits
from controller.store import journal
from controller.store.connection import open_reader

TIMES_LAG: Final = 2.0
"""Hard heating that has not shown after so many times the lag does not arrive: in steady weather it has made 0.8 K by
then (simulation), and a clear night takes 0.6 K. Source: hazard P14, its twice z2/2k."""

SOONEST_S: Final = 3600
LOOK_EVERY_S: Final = 60
"""[s] Source: hazard P14, "min 60"; engineering judgement."""

SAME_RATING: Final = 0.05
"""Part by which the rated current may have changed since: with another heater the pulse says nothing."""


TIMES_SLOPE: Final = 2.0
"""Times the steepest rise of its pulse that an air heater may do: mains 10 % high, another place of the probe, less
wind. Source: engineering judgement."""

ROOM_K_PER_MIN: Final = 3.0
"""[K/min] Room for what else warms air while it is heated: the sun coming out makes 1.6, out just as a door is shut 2.3
above the warmest of lately (six enclosures, air-tight or with a vent, -10 to 10 Cel outside, simulated)."""


@dataclass(frozen=True, slots=True)
class Answer:
    """What a pulse told: how soon [s] it was answered, the heater's rated current [A], the air's rise [K/min]."""

    lag_s: float
    rated_a: float | None
    slope_k_per_min: float | None = None


def answer_in(account: Account) -> Answer | None:
    """Return what a proof test measured, or None where its pulse was not taken or failed."""
    figures: dict[str, float] = {}
    for each in account.outcomes:
        if each.result is Result.PASSED:
            figures |= each.figures
    if not figures.get("lag_s", 0.0) > 0.0:
        return None
    return Answer(figures["lag_s"], figures.get("rated_a"), figures.get("slope_k_per_min"))


def last_answer(connection: sqlite3.Connection, name: str, before_ms: int | None = None) -> Answer | None:
    """Return what the newest proof test on record measured, of those before an instant [ms UTC]."""
    accounts = (from_entry(each) for each in journal.read(connection, name, KIND, end_ms=before_ms, limit=50))
    answers = (answer_in(each) for each in accounts if each is not None)
    return next((each for each in answers if each is not None), None)


def answers_in(folder: Path, names: Iterable[str]) -> dict[str, Answer | None]:
    """Return the same for enclosures of a site; nothing before there is a journal."""
    if not (folder / "journal.db").exists():
        return {}
    with closing(open_reader(folder / "journal.db")) as connection:
        return {name: last_answer(connection, name) for name in names}


def judged_by(plan: Plan, enclosure: Enclosure, answer: Answer | None) -> Plan:
    """Return the plan whose heat is judged by the measured answer, where that is tighter (hazards P14, E04).

    Of cables only one whose heat is sure by geometry as well: a weak one's may be lost in the weather of a night.
    """
    if enclosure.heater.kind is HeaterKind.AIR_HEATER:
        return replace(plan, steepest_k_per_min=steepest_k_per_min(enclosure, answer))
    usual_s = plan.expected.window_s
    if answer is None or not _is_of(enclosure, answer) or usual_s > limits.LONGEST_UNANSWERED_S:
        return plan
    window_s = min(max(TIMES_LAG * _lag_s(enclosure, answer), SOONEST_S), usual_s)
    return replace(plan, expected=replace(plan.expected, window_s=window_s))


def _is_of(enclosure: Enclosure, answer: Answer) -> bool:
    """Whether the heater is still the one that answered."""
    rated_a = enclosure.heater.rated_w / enclosure.heater.volts
    return answer.rated_a is not None and abs(answer.rated_a - rated_a) <= SAME_RATING * rated_a


def steepest_k_per_min(enclosure: Enclosure, answer: Answer | None) -> float | None:
    """Return the rise [K/min] that is too much for this air heater, or None where the fixed limit alone holds."""
    if enclosure.heater.kind is not HeaterKind.AIR_HEATER or answer is None or not _is_of(enclosure, answer):
        return None
    if answer.slope_k_per_min is None or not answer.slope_k_per_min > 0.0:
        return None
    limit = TIMES_SLOPE * answer.slope_k_per_min + ROOM_K_PER_MIN
    return round(limit, 2) if limit < limits.AIR_RISE_K_PER_MIN else None


def _lag_s(enclosure: Enclosure, answer: Answer) -> float:
    """Return the lag [s] of the probe furthest from the cable, by that of the nearest, which was measured.

    Never sooner than heat can be there: a pulse that the sun has answered makes nobody impatient.
    """
    built = construction_of(enclosure)
    away_m = sorted(abs((each.depth_m or 0.0) - built.cable_depth_m) for each in enclosure.of(Quantity.SOIL))
    nearest_s, furthest_s = _soonest_s(built, away_m[0]), _soonest_s(built, away_m[-1])
    return furthest_s * max(1.0, answer.lag_s / nearest_s)


def _soonest_s(built: Construction, away_m: float) -> float:
    """Return after how long [s] the heat alone warms soil at a distance by what counts as an answer."""
    looks_s = range(LOOK_EVERY_S, round(limits.LONGEST_UNANSWERED_S), LOOK_EVERY_S)
    answered_s = (each for each in looks_s if warmed_k(built, away_m, each) >= limits.LEAST_RISE_K)
    return next(answered_s, limits.LONGEST_UNANSWERED_S)
