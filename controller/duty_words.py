"""Why this much heat and not another, in one plain sentence."""

from collections.abc import Mapping
from typing import Any

from controller.units import FAHRENHEIT_PER_K, percent

LEAST = 0.005
"""A part smaller than half a percent goes unsaid."""
_PLANNED = "to be ready for the hours ahead", "because the hours ahead bring warmth enough"
_BEGUN = " Heat begun before runs its time, which spares the contacts."
_TRIED = "for a pulse of the trial", "because the trial rests between pulses"


def duty_words(control: Mapping[str, Any], fahrenheit: bool = False) -> str:
    """Return the sentence for a duty and its terms, such as "41 %: 12 for the soil being 0.4 K low, ..."."""
    terms = control["terms"]
    parts = [_part(terms["feedback"], *_feedback(control, fahrenheit))]
    parts.append(_part(terms["outside"], "for the cold outside", ""))
    parts.append(_part(terms["sun"], "for the sun", "for the sun"))
    planned = _part(terms["plan"], *(_TRIED if control.get("tried") else _PLANNED))
    said = ", ".join(part for part in (*parts, planned) if part)
    sum_of = sum(terms.values())
    unplanned = sum_of - terms["plan"]
    if planned and not -LEAST <= unplanned <= 1.0 + LEAST:
        # No less than none, no more than all: what a plan adds to or takes off is that, and so it adds up.
        alone = "none" if unplanned < 0.0 else "all there is"
        said = f"{planned}; without that {alone} ({', '.join(part for part in parts if part)})"
    elif sum_of > 1.0 + LEAST:
        said += "; more than all there is"
    elif sum_of < -LEAST:
        said += "; so none"
    if control["duty"] < LEAST < sum_of:
        said += "; but soil so warm is not heated"
    begun = _BEGUN if control.get("on") and control["duty"] < LEAST else ""
    return f"{percent(control['duty'])}: {said or 'nothing asks for heat'}.{begun}"


def _feedback(control: Mapping[str, Any], fahrenheit: bool) -> tuple[str, str]:
    """Return the words for heat added and for heat taken off because of the soil."""
    below_k = control["below_k"]
    size = abs(below_k) * (FAHRENHEIT_PER_K if fahrenheit else 1.0)
    unit = "°F" if fahrenheit else "K"
    if size < 0.05:
        return "learnt from the last hours", "learnt from the last hours"
    state = f"for the soil being {size:.1f} {unit} {'low' if below_k > 0 else 'high'}"
    since = "for the soil having been"
    added = state if below_k > 0 else f"{since} low"
    taken = state if below_k < 0 else f"{since} high"
    return added, taken


def _part(share: float, added: str, taken: str) -> str:
    if abs(share) < LEAST:
        return ""
    return f"{100 * share:.0f} {added}" if share > 0 else f"{-100 * share:.0f} less {taken}"
