"""What pages say of the whole site: the clock and outside, the copy elsewhere, the journal's chain."""

from api.pages import words
from api.pages.words import Unit
from api.seen import as_seen
from api.state import State
from controller.store.told import told

CHAIN = "journal's chain holds"
"""The permissive that is lost until somebody has taken note."""


FORWARDER_SILENT_MS = 900_000
"""[ms] It says how it fares at every try, and tries at least every five minutes. Source: engineering judgement."""


def copy_line(state: State) -> str:
    """Say that the copy of the record elsewhere is behind, or lacks something, and why; empty while all is well."""
    if state.settings.remote is None:
        return ""
    word, now_ms, zone = told(state.folder), state.clock.now().utc_ms, state.settings.site.zone
    if word is None or now_ms - word.at_ms > FORWARDER_SILENT_MS:
        since = "has not begun" if word is None else f"stands still since {words.moment(word.at_ms, now_ms, zone)}"
        why = "the forwarder does not run, and the log says why"
        return f"The copy elsewhere {since}: {why}. Nothing is lost; it is sent later."
    if not word.trouble:
        points = "1 point" if word.refused == 1 else f"{word.refused} points"
        lacks = (
            f"The copy elsewhere lacks {points} that the store there refused; the log says why. All is on record here."
        )
        return lacks if word.refused else ""
    if "damaged" in word.trouble:
        # What is spoilt here comes at no later time, and its words have a remedy of their own.
        return f"The copy elsewhere is not whole: {word.trouble}."
    behind = "" if word.oldest_ms is None else f" since {words.moment(word.oldest_ms, now_ms, zone)}"
    return f"The copy elsewhere is behind{behind}: {word.trouble}. Nothing is lost; it is sent later."


def outside_line(state: State, unit: Unit) -> str:
    """Return the clock and the outside temperature, for the head of the page."""
    now = state.clock.now()
    clock = words.moment(now.utc_ms, now.utc_ms, state.settings.site.zone)
    for enclosure in state.settings.enclosure:
        seen = as_seen(enclosure, state.live.heard(enclosure.name), now)
        for each in seen["readings"]:
            if each["quantity"] == "outside" and each["fresh"] and each["value"] is not None:
                return f"{clock} · outside {words.temperature_said(each['value'], unit)}"
    return clock


def is_break_noted(state: State) -> bool:
    """Whether no enclosure waits for somebody to take note of a break in the journal's chain."""
    now = state.clock.now()
    for enclosure in state.settings.enclosure:
        needs = as_seen(enclosure, state.live.heard(enclosure.name), now)["permissives"]
        if not any(each["name"] == CHAIN and each["holds"] for each in needs):
            return False
    return True
