"""Alerts as a page shows them: what a person should know of, how long it has been so, and whether it was put aside."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from api.pages import words
from api.pages.words import Unit
from api.seen import alerts_of
from api.state import State
from controller.clock import from_rfc3339

SILENT = "has gone quiet."
SEVERAL = 3
"""Silent probes from which on they are told together."""


@dataclass(frozen=True, slots=True)
class AlertShown:
    """One alert; `quiet_until` is empty unless somebody has put it aside; `gathered`, what it stands for if several."""

    name: str
    said: str
    when: str
    age_s: float
    age: str
    quiet_until: str
    urgent: bool
    gathered: tuple["AlertShown", ...] = ()


def alerts(state: State, seen: Mapping[str, Any], unit: Unit) -> tuple[AlertShown, ...]:
    """Return the alerts of a status: urgent ones first, those put aside last, silent probes gathered."""
    now_ms, zone = state.clock.now().utc_ms, state.settings.site.zone
    shown = []
    for each in alerts_of(seen):
        since_ms = from_rfc3339(each["since"])
        until = each["shelved_until"]
        quiet = words.moment(from_rfc3339(until), now_ms, zone) if until else ""
        when, age_s = words.moment(since_ms, now_ms, zone), max(0.0, (now_ms - since_ms) / 1000)
        said = words.sentence(each["detail"], unit)
        shown.append(AlertShown(each["name"], said, when, age_s, words.ago(age_s), quiet, bool(each["urgent"])))
    return tuple(sorted(_gathered(shown), key=lambda a: (bool(a.quiet_until), not a.urgent)))


def _gathered(shown: list[AlertShown]) -> list[AlertShown]:
    """Say in one line that several probes are silent: it has one cause, and the rest of the page must stay in sight."""
    silent = [each for each in shown if each.said.endswith(SILENT) and not each.quiet_until]
    if len(silent) < SEVERAL:
        return shown
    first = max(silent, key=lambda each: each.age_s)
    names = ", ".join(each.name.partition(":")[2] for each in silent)
    said = f"{len(silent)} probes have gone quiet: {names}."
    one = replace(first, name="", said=said, gathered=tuple(silent))
    return [one, *(each for each in shown if each not in silent)]
