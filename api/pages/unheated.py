"""Why no heat can come to an enclosure now, in the reader's words."""

from collections.abc import Mapping
from typing import Any

from api.pages import words
from api.pages.words import Unit
from controller.explain import explain
from controller.permits import AIR_COOL


def unheated(seen: Mapping[str, Any], unit: Unit) -> str:
    """Say why no heat can come, as far as is known; "" where it can, and while warm air alone keeps it off."""
    if not seen["known"]:
        return words.said(str(seen["words"]["verdict"]), unit)
    lost = any(not each["holds"] and each["name"] != AIR_COOL.name for each in seen["permissives"])
    return explain(seen, unit is Unit.F).verdict if seen["trips"] or lost or not seen["armed"] else ""
