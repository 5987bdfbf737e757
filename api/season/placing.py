"""Each plant tonight: may it stay where it is, must it be covered or brought in, may it go out yet?"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date

from api.season.alarm import Alarm, Alarms, Place, Stage
from api.season.bbch import frost_stage
from api.season.daily import Daily, RecordError
from api.season.freeze import hemisphere_of, last_freezes
from api.season.freeze_chance import Share, chance_from
from api.season.plants import Plant, Protection
from api.season.tonight import Chance, Forecast, chance

RISK = 0.1
"""Chance of one more night at a plant's limit, from which it had better wait. Source: common practice (one in ten)."""


@dataclass(frozen=True, slots=True)
class Placed:
    """One plant and what is to be done with it tonight.

    Parameters
    ----------
    at
        The air temperature from which it is in danger, and what that rests on.
    tonight
        The chance that tonight comes to that; None under cover and where tonight is not known.
    years
        In how many years it came to that once more from today on; None for what is out already.
    advice
        What to do: one of `ADVICE`.
    """

    plant: Plant
    stage: Stage
    at: Alarm
    tonight: Chance | None
    years: Share | None
    advice: str


STAY, COVER, BRING_IN, WAIT, MAY_GO, WARMER, UNKNOWN = (
    "may stay as it is",
    "cover it tonight",
    "bring it in tonight",
    "wait: do not put it out yet",
    "may go out by the record; look at tonight first",
    "in danger where it is: more heat or more cover",
    "not known yet",
)
ADVICE = (STAY, COVER, BRING_IN, WAIT, MAY_GO, WARMER, UNKNOWN)


@dataclass(frozen=True, slots=True)
class Known:
    """What is known when plants are placed.

    Parameters
    ----------
    alarms
        When to act.
    forecast
        Tonight's lowest outside; None where not known.
    once_more
        In how many years it came to a temperature [Cel] once more from today on; None where no record tells.
    """

    alarms: Alarms
    forecast: Forecast | None
    once_more: Callable[[float], Share | None]


def placed(plant: Plant, code: int, known: Known, inside_c: float | None) -> Placed:
    """Return what to do with one plant.

    Parameters
    ----------
    code
        The stage last noted.
    inside_c
        The coldest air [Cel] expected in the plant's enclosure; None where not known.
    """
    stage = frost_stage(code)
    if plant.enclosure is None and plant.protection is not Protection.STORE:
        return _outdoors(plant, stage, known)
    limit = known.alarms.of(stage, Place.COVER)
    if inside_c is not None and inside_c <= limit.air_c:
        return Placed(plant, stage, limit, None, None, WARMER)
    if plant.stands != "container":
        return Placed(plant, stage, limit, None, None, UNKNOWN if inside_c is None else STAY)
    outdoors = known.alarms.of(stage, Place.CONTAINER)
    years = known.once_more(outdoors.air_c)
    advice = UNKNOWN if years is None else WAIT if years.chance > RISK else MAY_GO
    return Placed(plant, stage, outdoors, None, years, advice)


def _outdoors(plant: Plant, stage: Stage, known: Known) -> Placed:
    potted = plant.stands == "container"
    limit = known.alarms.of(stage, Place.CONTAINER if potted else Place.GROUND)
    if known.forecast is None:
        return Placed(plant, stage, limit, None, None, UNKNOWN)
    tonight = chance(known.forecast, limit.air_c)
    safe = tonight.word == "unlikely"
    return Placed(plant, stage, limit, tonight, None, STAY if safe else BRING_IN if potted else COVER)


def once_more_from(record: Daily | None, threshold_c: float, latitude: float, today: date) -> Share | None:
    """Return in how many years of a daily record it came to a threshold [Cel] on that day or later, or None."""
    if record is None:
        return None
    try:
        return chance_from(last_freezes(record, threshold_c, hemisphere_of(latitude)), today)
    except RecordError:
        return None
