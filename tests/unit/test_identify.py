"""Identification of the three stores: what it finds, what it refuses, how far a night moves the model."""

import math
from dataclasses import replace

import numpy as np
import pytest

from controller.control.stepping import Array
from controller.control.stepping import rise_k as steps_k
from controller.planning.learning import MOST_STEP, renewed
from controller.plant.identify import FREE, LEAST_H, LEAST_OUTSIDE_K, NotExcitedError, identify, lacking
from tests.thermal_site import CABLE, lived


def test_a_bed_that_is_another_than_its_geometry_says_is_found() -> None:
    """Where the truth is a model with other stores, its answer to two hours of heat is found; geometry's is far off."""
    truth = replace(CABLE, bed_j_k=CABLE.bed_j_k * 1.4, upper_bed_w_k=CABLE.upper_bed_w_k * 0.7)
    figures = identify(lived(truth, 3.0), CABLE).figures
    rise_k = float(steps_k(truth, 1800.0, 4).sum())
    assert figures["rise_2h_k"].value == pytest.approx(rise_k, rel=0.1)
    assert abs(float(steps_k(CABLE, 1800.0, 4).sum()) / rise_k - 1.0) > 0.15
    assert all(each.low < each.value < each.high for each in figures.values())


def test_readings_too_short_or_still_are_refused_with_what_is_missing() -> None:
    """Just under each bound the refusal names it; at the bound nothing is refused."""
    log = lived(CABLE, 3.0)
    assert lacking(log) == ()
    enough = log.latest(LEAST_H * 3600.0)
    assert not any("h of readings" in each for each in lacking(enough))
    short = enough.latest(LEAST_H * 3600.0 - 600.0)
    assert any("48 h are needed" in each for each in lacking(short))
    still = replace(log, outside_c=_swinging(len(log), LEAST_OUTSIDE_K - 0.01))
    assert lacking(still) == ("outside moved by 4.0 K; 4 K are needed",)
    assert lacking(replace(log, outside_c=_swinging(len(log), LEAST_OUTSIDE_K))) == ()
    with pytest.raises(NotExcitedError, match="outside moved by"):
        identify(still, CABLE)


def _swinging(rows: int, span_k: float) -> Array:
    return np.where(np.arange(rows) % 2 == 0, 0.0, span_k)


@pytest.mark.parametrize("far", [0.9, 1.0, 1.1, 5.0])
def test_a_night_moves_a_figure_by_a_bounded_step(far: float) -> None:
    """Whatever a night finds, no figure moves further than its bound; within the bound it is taken whole."""
    old = CABLE
    found = replace(old, **{name: getattr(old, name) * math.exp(far * MOST_STEP) for name in FREE})
    new = renewed(old, found)
    for name in FREE:
        assert math.log(getattr(new, name) / getattr(old, name)) == pytest.approx(min(far, 1.0) * MOST_STEP)
