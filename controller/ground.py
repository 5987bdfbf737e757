"""What the nights have taught of a cable's bed, held against the soil of the settings: dried out, or drowned? Pure."""

from enum import StrEnum
from typing import Final

from controller.control.foresight import Foresight
from controller.expected import Expected
from controller.plan import Plan
from controller.plant.construction import HeaterKind
from controller.safety import limits

DRY_DOWN: Final = 0.95
DRY_STORE: Final = 0.5
WET_STORE: Final = 2.0
"""Times the warmth that goes down out of the bed, by kelvin, and the heat that the soil about the probe holds, that the
settings' soil would have. The lag tells nothing: three stores take up in it what lies between cable and probe.
In 120 simulated lessons of three days in sixty sound beds, each a fifth or so off its settings, the warmth going down
was 1.15-4.7 times the settings'; in the same beds bone-dry it was less than 0.95 in 96 of 120, and the store under a
half in 7 more. Drowned peat lay at 2.7 of the store. Mineral soil that drowns holds 1.4 times as much and is not told
from sound."""


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
    if store <= DRY_STORE or learnt.bed_lower_w_k <= DRY_DOWN * geometry.bed_lower_w_k:
        return Ground.DRY
    return Ground.WET if store >= WET_STORE else Ground.AS_SET


def _heats_soil(expected: Expected) -> bool:
    return expected.kind is HeaterKind.SOIL_CABLE


def highest_c(plan: Plan, known: Foresight | None) -> float:
    """Return the highest set point [Cel] that holds now: a cable in dry soil is far hotter than its probe (E06)."""
    return plan.highest_set_point_c - limits.DRY_SOIL_LOWERS_K * (ground(plan, known) is Ground.DRY)
