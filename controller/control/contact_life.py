"""How long a relay's contacts last at so many closings a day (hazard K07)."""

from controller.safety.limits import RELAY_CLOSINGS

SEASON_DAYS = 90.0
"""[d] of heat in a year, from the middle of February to the middle of May (engineering judgement)."""
MANY = 100


def seasons(closings_a_day: float) -> float | None:
    """Return the seasons until a relay is worn out, or None where it is never used."""
    return RELAY_CLOSINGS / (closings_a_day * SEASON_DAYS) if closings_a_day > 0.0 else None


def life_words(closings_a_day: float) -> str:
    """Return it in words, such as "22.9 a day: contacts last 48 seasons of 90 days"."""
    lasts = seasons(closings_a_day)
    said = f"{closings_a_day:.1f} a day"
    if lasts is None:
        return said
    many = f"{lasts:.0f}" if lasts <= MANY else f"more than {MANY}"
    return f"{said}: contacts last {many} seasons of {SEASON_DAYS:.0f} days"
