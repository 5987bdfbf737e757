"""Every hard limit as people read it: value, unit, meaning, source, what is in force, and when it last acted.

Meaning and source are the limit's own docstring, so that the table and the code cannot drift apart.
"""

import ast
import inspect
import re
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass
from functools import cache
from types import ModuleType

from controller.clock import rfc3339
from controller.proving import commissioned
from controller.proving.commissioned import Answer
from controller.safety import limits, node_limits
from controller.settings import Settings
from controller.store.connection import open_reader

_TIGHTENED = {
    "HIGHEST_SET_POINT_C": "highest_set_point",
    "SOIL_TRIP_C": "soil_trip",
    "AIR_NO_HEAT_C": "air_no_heat",
    "AIR_FIRE_C": "air_fire",
    "HEATER_SURFACE_C": "heater_surface",
    "PROOF_EVERY_DAYS": "proof_every_days",
}
"""Limit to its key under `limits` in the settings."""

_TRIP, _HELD, _ALERT = ("trip", "trip"), ("held-off", "permissive"), ("alert", "alert")
_ACTS: dict[str, tuple[tuple[str, str], str]] = {
    "SOIL_TRIP_C": (_TRIP, "soil-over"),
    "AIR_NO_HEAT_C": (_HELD, "air below its no-heat limit"),
    "AIR_FIRE_C": (_TRIP, "air-fire"),
    "HEATER_SURFACE_C": (_TRIP, "heater-surface-over"),
    "AIR_RISE_K_PER_MIN": (_TRIP, "air-rise"),
    "ABOVE_SET_POINT_K": (_TRIP, "heat-above-set-point"),
    "NODE_SILENT_S": (_HELD, "node heard"),
    "NODE_CLOCK_ERROR": (_TRIP, "node-clock"),
    "PAIR_ALERT_K": (_ALERT, "differ:"),
    "PAIR_FAULT_K": (_HELD, "probes at one place agree"),
    "LEAST_RISE_K": (_TRIP, "no-heating-response"),
    "EXPOSED_PART": (_TRIP, "heater-exposed"),
    "UNASKED_RISE_K": (_TRIP, "heat-not-asked-for"),
    "DRY_SOIL_LOWERS_K": (_ALERT, "soil-dry"),
    "SHORT_K": (_ALERT, "cannot-hold"),
    "STEP_QUARANTINE_S": (_ALERT, "probe:"),
    "REARM_AFTER_RESET_S": (_HELD, "settled after a reset"),
    "RELAY_WORN_PART": (_ALERT, "relay-worn"),
    "OPEN_SETTLE_S": (_TRIP, "node-fault:current-when-open"),
    "NOT_FOLLOWING_S": (_TRIP, "node-fault:contact-does-not-follow"),
    "SENSOR_DOUBTED_S": (_TRIP, "node-fault:current-sensor"),
    "NO_CURRENT_S": (_TRIP, "node-fault:no-current"),
    "HALF_POWER": (_TRIP, "node-fault:half-power"),
    "LOW_POWER": (_ALERT, "power-low"),
    "OVER_POWER": (_TRIP, "node-fault:over-power"),
    "INTERRUPTIONS": (_TRIP, "node-fault:self-interrupting"),
    "DROP_OUTS": (_TRIP, "node-fault:contact-intermittent"),
    "PROOF_STEP_S": (_TRIP, "node-fault:k2-welded"),
    "BOOTS": (_TRIP, "node-fault:boot-loop"),
}
"""Limit to the journal entry that shows it acted: kind, field of the body, and how the field begins."""

_UNIT = re.compile(r"^\[([^\]]+)\]\s*")


@dataclass(frozen=True, slots=True)
class Limit:
    """One hard limit.

    Parameters
    ----------
    figures, unit
        As in the code, two for a range; the unit is "" for a count or a fraction.
    meaning, source
        In words; the source is "" where the meaning points to another limit.
    """

    name: str
    figures: tuple[float, ...]
    unit: str
    meaning: str
    source: str

    @property
    def value(self) -> str:
        """The figures in plain text, without the unit."""
        return " to ".join(f"{each:g}" for each in self.figures)

    @property
    def words(self) -> str:
        """The name as people read it."""
        return re.sub(r"_(C|S|K|A|K_PER_MIN|DAYS)$", "", self.name).replace("_", " ").lower()


@cache
def hard_limits() -> tuple[Limit, ...]:
    """Return every limit once, in the order of the code: the controller's, then what only the node's program holds."""
    found: dict[str, Limit] = {}
    for module in (limits, node_limits):
        for each in _of(module):
            found.setdefault(each.name, each)
    return tuple(found.values())


def _of(module: ModuleType) -> Iterator[Limit]:
    tree = ast.parse(inspect.getsource(module))
    for node, after in zip(tree.body, tree.body[1:], strict=False):
        if isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name) and isinstance(after, ast.Expr):
            text = " ".join(str(ast.literal_eval(after.value)).split())
            yield _limit(node.target.id, getattr(module, node.target.id), text)


def _limit(name: str, value: float | tuple[float, ...], text: str) -> Limit:
    figures = tuple(map(float, value)) if isinstance(value, tuple) else (float(value),)
    unit = _UNIT.match(text)
    meaning, _, source = text[unit.end() if unit else 0 :].partition("Source:")
    return Limit(name, figures, unit[1] if unit else "", meaning.strip(), source.strip().rstrip("."))


def tighter(settings: Settings, name: str, answers: Mapping[str, Answer | None]) -> dict[str, float]:
    """Return by enclosure the value in force, where the settings or what a proof test measured tighten this limit."""
    if name == "AIR_RISE_K_PER_MIN":
        measured = {
            each.name: commissioned.steepest_k_per_min(each, answers.get(each.name)) for each in settings.enclosure
        }
        return {enclosure: value for enclosure, value in measured.items() if value is not None}
    key = _TIGHTENED.get(name)
    if key is None:
        return {}
    hard = getattr(limits, name)
    in_force = {each.name: float(getattr(each.limits, key)) for each in settings.enclosure}
    return {enclosure: value for enclosure, value in in_force.items() if value < hard}


def last_acted_ms(journal: sqlite3.Connection, names: Sequence[str]) -> dict[str, int]:
    """Return by limit when it last acted [ms UTC], of those whose acting the journal shows."""
    found = {}
    for name in names:
        if name not in _ACTS:
            continue
        (kind, field), begins = _ACTS[name]
        row = journal.execute(
            "SELECT at_ms FROM journal WHERE kind = ? AND substr(json_extract(body, ?), 1, ?) = ? "
            "ORDER BY sequence DESC LIMIT 1",
            (kind, f"$.{field}", len(begins), begins),
        ).fetchone()
        if row is not None:
            found[name] = int(row[0])
    return found


_NODE = "In the relay node"
_GROUPS: dict[str, str] = {
    "Temperatures": "HIGHEST_SET_POINT_C SOIL_TRIP_C SOIL_TRIP_AT_ONCE_C AIR_NO_HEAT_C AIR_FIRE_C HEATER_SURFACE_C "
    "AIR_RISE_K_PER_MIN HEATER_AIR_RISE_K_PER_MIN OVER_REMEMBERED_S AIR_SETTLE_S HEATER_LATELY_ON_S ABOVE_SET_POINT_K",
    "Relay, lease and times": "LONGEST_LEASE_S RENEW_EVERY_S TICK_S LONGEST_GAP_S DEAD_LOOP_S NODE_SILENT_S "
    "NODE_ALERT_S "
    "NODE_CLOCK_SPAN_S NODE_CLOCK_ERROR LONGEST_CLOSING_S REST_AFTER_LONGEST_S SHORTEST_ON_S SHORTEST_OFF_S "
    "UNRECORDED_S AFFRONT_REMEMBERED_S RELAY_CLOSINGS RELAY_WORN_PART",
    "People": "REARM_AFTER_RESET_S RESETS_OF_ONE_TRIP RESET_SPAN_S LONGEST_AT_WORK_S LONGEST_SHELVED_S "
    "PROOF_EVERY_DAYS "
    "PROOF_GRACE_DAYS",
    "Heat that goes astray": "HARD_AT_WORK_DUTY LEAST_RISE_K LONGEST_UNANSWERED_S EXPOSED_PART UNASKED_RISE_K SHORT_K "
    "SHORT_S",
}
"""Where people look for a limit; what stands in none is about probes."""


def grouped() -> dict[str, tuple[Limit, ...]]:
    """Return every limit once, under the heading people look for it."""
    named = dict.fromkeys((each.name for each in _of(node_limits)), _NODE)
    named |= {name: heading for heading, names in _GROUPS.items() for name in names.split()}
    headings = ("Temperatures", "Relay, lease and times", "Probes", "Heat that goes astray", _NODE, "People")
    return {
        heading: tuple(each for each in hard_limits() if named.get(each.name, "Probes") == heading)
        for heading in headings
    }


def shows_acting(name: str) -> bool:
    """Whether the journal would show that this limit acted."""
    return name in _ACTS


def told(settings: Settings) -> Iterator[str]:
    """Yield every limit in words: value, meaning, source, what is tighter, and when it last acted."""
    acted: dict[str, int] = {}
    answers = commissioned.answers_in(settings.store.folder, [each.name for each in settings.enclosure])
    if (settings.store.folder / "journal.db").exists():
        with closing(open_reader(settings.store.folder / "journal.db")) as journal:
            acted = last_acted_ms(journal, [each.name for each in hard_limits()])
    for each in hard_limits():
        yield f"{each.words}: {each.value} {each.unit}".rstrip()
        yield f"    {each.meaning} Source: {each.source or 'see the text'}."
        for name, value in tighter(settings, each.name, answers).items():
            yield f"    tightened to {value:g} for enclosure {name!r}"
        if each.name in acted:
            yield f"    last acted {rfc3339(acted[each.name])}"
