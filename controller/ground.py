"""What the nights have taught of a cable's bed, held against the soil of the settings: dried out, or drowned? Pure."""

from enum import StrEnum
from typing import Final

from controller.control.foresight import Foresight
from controller.expected import Expected
from controller.plan import Plan
from controller.plant.construction import HeaterKind
from controller.safety import limits

DRY_LAG: Final = 2.2
LATE_STORE: Final = 1.15
DRY_STORE: Final = 0.5
WET_STORE: Final = 2.0
"""Times the lag of the cable's warmth, and the heat the soil about the probe holds, that the settings' soil would have.
A late answer is dry ground only with a store that is no larger than it should be: what has dried out holds less heat.
In some 120 simulated lessons of three days, sound beds lay at lags of 0.9-2.7 and stores of 0.7-1.6, those seen over
2.0 at stores of 1.2 and more; bone-dry loam at 2.6-6.4 and 0.9-1.1, bone-dry peat at 0.2-0.3 of the store, drowned peat
at 2.7. Mineral soil that drowns holds 1.4 times as much and is not told from sound."""


class Ground(StrEnum):
    """How the bed answers the cable."""

    AS_SET = "as set"
    DRY = "dry"
    WET = "wet"


def ground(plan: Plan, known: Foresight | None) -> Ground:
    """Judge the bed by the model that is behind the present plan; without one it is as set."""
    if known is None or known.tuned is None or not _heats_soil(plan.expected):
        return Ground.AS_SET
    learnt, geometry = known.tuned.model, plan.tuned.model
    store = (learnt.upper_j_k + learnt.bed_j_k) / (geometry.upper_j_k + geometry.bed_j_k)
    late = learnt.lag_s >= DRY_LAG * geometry.lag_s
    if store <= DRY_STORE or (late and store <= LATE_STORE):
        return Ground.DRY
    return Ground.WET if store >= WET_STORE else Ground.AS_SET


def _heats_soil(expected: Expected) -> bool:
    return expected.kind is HeaterKind.SOIL_CABLE


def highest_c(plan: Plan, known: Foresight | None) -> float:
    """Return the highest set point [Cel] that holds now: a cable in dry soil is far hotter than its probe (E06)."""
    return plan.highest_set_point_c - limits.DRY_SOIL_LOWERS_K * (ground(plan, known) is Ground.DRY)
