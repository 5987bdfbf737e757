"""One plan: the record of the last days and what is expected in, duty for the coming hours out. Pure."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from controller.control.foresight import Foresight
from controller.control.log import Log
from controller.control.outlook import Outlook
from controller.control.stepping import Array
from controller.control.terms import MOST_SUN_W_M2
from controller.control.thermal import ThermalModel
from controller.control.tuned import standing_sun_w_m2, tuned_by
from controller.planning.ahead import Place, WeatherAhead, clear_w_m2, weather_ahead
from controller.planning.estimate import estimate
from controller.planning.horizon import STEP_S, STEPS, look_ahead
from controller.planning.linear import Model, linear
from controller.plant.column import Column
from controller.plant.construction import USUAL_DEPTH_M, Construction

LEAST_S = 24 * 3600.0
"""[s] of record that a plan needs: without yesterday there is no tomorrow, and the stores below are not known."""
QUIET_S = 1800.0
LIGHT_HEARD = 0.9
"""Part of a log for which a light probe must have spoken to be learnt by: with two kinds of light in one lesson the
sun's figures were found at a fifth of what they are (seen in simulation)."""
MOST_MISSED_K = 1.0
"""[K] A model that misses by more six hours ahead is not followed. Source: engineering judgement."""


class NoForesightError(ValueError):
    """Why there is no plan, in plain words."""


@dataclass(frozen=True, slots=True)
class Facts:
    """What the planner needs to know of an enclosure besides its record.

    Parameters
    ----------
    has_light
        Whether a light probe is there; else the air stands in for it.
    most
        Highest duty that the longest closing allows.
    asked_c
        Set point [Cel] at an instant [ms UTC], or None where nothing is asked.
    built, depth_m
        What it is built of and [m] how deep its control probe lies; None: the model alone is learnt.
    """

    name: str
    place: Place
    floor_m2: float
    has_light: bool
    most: float
    asked_c: Callable[[int], float | None]
    built: Construction | None = None
    depth_m: float = USUAL_DEPTH_M


@dataclass(frozen=True, slots=True)
class Ready:
    """What every look ahead begins with: the record without gaps, by which model it is seen and where that one's
    stores stand at its end, the weather."""

    log: Log
    by: Model
    state: Array
    weather: WeatherAhead


def ready(facts: Facts, model: ThermalModel, log: Log, outlook: Outlook = (), column: Column | None = None) -> Ready:
    """Return where everything stands at the end of a log, and what weather is expected.

    Parameters
    ----------
    column
        The layers behind the model's stores, where they are known: they see further.

    Raises
    ------
    NoForesightError
        If the record is too short or broken, or the model has shown itself wrong.
    """
    log = lit(facts, model, whole(log))
    weather = weather_ahead(log, outlook, facts.place, STEP_S, STEPS)
    by = model if column is None else column
    now = estimate(by, log, facts.floor_m2)
    if now.missed_k > MOST_MISSED_K:
        raise NoForesightError(f"the model missed the soil by {now.missed_k:.1f} K six hours ahead, over the last day")
    return Ready(log, by, now.state, weather)


def foresee(facts: Facts, model: ThermalModel, log: Log, outlook: Outlook = ()) -> Foresight:
    """Return the plan from the end of a log on; raises as `ready`."""
    begun = ready(facts, model, log, outlook)
    return planned(facts, model, begun)


def planned(facts: Facts, model: ThermalModel, begun: Ready) -> Foresight:
    """Return the plan that follows from where everything stands."""
    starts_ms, weather = begun.log.ends_ms, begun.weather
    ends_ms = [starts_ms + round(1000 * STEP_S * (step + 1)) for step in range(STEPS)]
    asked = [facts.asked_c(ms) for ms in ends_ms]
    asked_c = np.array([np.nan if each is None else each for each in asked])
    by = linear(begun.by, STEP_S, facts.floor_m2)
    found = look_ahead(by, begun.state, weather.outside_c, weather.light_w_m2, asked_c, facts.most)
    return Foresight(
        starts_ms=starts_ms,
        step_s=STEP_S,
        duty=tuple(float(each) / facts.most for each in found.duty),
        soil_c=tuple(map(float, found.soil_c)),
        set_point_c=tuple(asked),
        outside_c=tuple(map(float, weather.outside_c)),
        light_w_m2=tuple(map(float, weather.light_w_m2)),
        tuned=tuned_by(model),
    )


def whole(log: Log) -> Log:
    """Return the log with short gaps bridged.

    Raises
    ------
    NoForesightError
        If it is too short, the soil is silent now, or outside is missing for most of it.
    """
    if len(log) * log.step_s < LEAST_S:
        raise NoForesightError(f"only {len(log) * log.step_s / 3600:.0f} h of record; a plan needs 24 h")
    recent = log.soil_c[-max(round(QUIET_S / log.step_s), 1) :]
    if not np.isfinite(recent).any() or np.isfinite(log.soil_c).mean() < 0.5:
        raise NoForesightError("the soil probe was silent")
    if np.isfinite(log.outside_c).mean() < 0.5:
        raise NoForesightError("the outside probe was silent")
    return replace(log, outside_c=_bridged(log.outside_c), duty=np.nan_to_num(log.duty, nan=0.0))


def lit(facts: Facts, model: ThermalModel, log: Log) -> Log:
    """Return the log with light at every step: the probe's; where it was silent, or none is there, what the warmth of
    the air stands for by day."""
    stand_in = standing_sun_w_m2(model, log.air_c, log.outside_c, _bridged(log.soil_c), log.duty)
    by_day = clear_w_m2(log, facts.place) > 0.0
    told = np.where(by_day, np.clip(np.nan_to_num(stand_in), 0.0, MOST_SUN_W_M2), 0.0)
    return replace(log, light_w_m2=np.where(facts.has_light & np.isfinite(log.light_w_m2), log.light_w_m2, told))


def measures_light(facts: Facts, log: Log) -> bool:
    """Whether a light probe has spoken for most of a log: one that has died counts as none."""
    return facts.has_light and float(np.isfinite(log.light_w_m2).mean()) >= LIGHT_HEARD


def _bridged(values: Array) -> Array:
    """Return the values with straight lines over gaps; all NaN stays so."""
    known = np.isfinite(values)
    if not known.any():
        return values
    rows = np.arange(len(values))
    return np.asarray(np.interp(rows, rows[known], values[known]))
