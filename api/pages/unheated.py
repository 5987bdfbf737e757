"""Why no heat can come to an enclosure now, in the reader's words."""

from collections.abc import Mapping
from typing import Any

from api.pages import words
from api.pages.words import Unit
from api.seen import as_seen
from api.state import State
from controller.enclosure_settings import Enclosure
from controller.explain import explain
from controller.permits import AIR_COOL, UNDER_LIMITS


def unheated(seen: Mapping[str, Any], unit: Unit) -> str:
    """Say why no heat can come, as far as is known; "" where it can, and while sun alone keeps it off."""
    if not seen["known"]:
        return words.said(str(seen["words"]["verdict"]), unit)
    # What is over a limit for longer than the sun on a shut tunnel latches, and is a trip then.
    by_sun = (AIR_COOL.name, UNDER_LIMITS.name)
    lost = any(not each["holds"] and each["name"] not in by_sun for each in seen["permissives"])
    return explain(seen, unit is Unit.F).verdict if seen["trips"] or lost or not seen["armed"] else ""


def unheated_now(state: State, enclosure: Enclosure, unit: Unit) -> str:
    """Say the same of an enclosure as it is now."""
    return unheated(as_seen(enclosure, state.live.heard(enclosure.name), state.clock.now()), unit)
