"""What our controller can see of a plant, and what it can lose."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Eyes:
    """What our controller can see.

    Parameters
    ----------
    light, outside
        Whether there is such a probe.
    loses_soil
        Whether there are two soil probes, of which one falls silent on the second judged day.
    forecast
        Which one, by name.
    foresight
        Whether the planner works.
    """

    light: bool = True
    outside: bool = True
    loses_soil: bool = False
    forecast: str = "usual"
    foresight: bool = True


EVERY_EYE = Eyes()
EYES = {
    "every eye": EVERY_EYE,
    "no light probe": Eyes(light=False),
    "no outside probe": Eyes(outside=False),
    "one soil probe of two": Eyes(loses_soil=True),
    "no forecast": Eyes(forecast="none"),
    "forecast 5 K wrong": Eyes(forecast="5 K wrong"),
}
"""What the issue asks to be measured, by name."""
