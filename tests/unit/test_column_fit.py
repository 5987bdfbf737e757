"""Identification of a column of layers: simulated enclosures that are not quite what their owner says."""

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from controller.control.log import ARRAYS
from controller.control.model_of import model_of
from controller.control.stepping import rise_k
from controller.plant.column import column_of, needed
from controller.plant.column_fit import Found, _asks, column_from
from controller.plant.column_run import MAY_BE_OFF, free_runs, shifted
from controller.plant.construction import HeaterKind
from controller.plant.fitting import slopes
from controller.plant.stores_of import stores_of
from tests.identified_site import Enclosed, enclosed, logged, loss_w_k, risen_k

ENCLOSURES = 30


def found_at(site: Enclosed, *, pulses: bool = False) -> tuple[Found, dict[str, float]]:
    """Return what three days tell, and the truth."""
    log, plant, wind_m_s = logged(site, pulses=pulses)
    rises = {f"rise_{hours}h_k": risen_k(site, plant, hours) for hours in (2, 24)}
    truth = {"loss_w_k": loss_w_k(site, wind_m_s), **rises}
    return column_from(log, site.told, site.depth_m), truth


def test_three_days_tell_what_a_day_of_heat_by_a_cable_does_better_than_geometry() -> None:
    """The soil's rise by a day of full heat is missed by less than geometry alone misses it."""
    fitted, guessed = [], []
    for seed in range(7000, 7004):
        site = enclosed(seed, HeaterKind.SOIL_CABLE)
        found, truth = found_at(site)
        fitted.append(abs(math.log(found.figures["rise_24h_k"].value / truth["rise_24h_k"])))
        guessed.append(abs(math.log(needed(column_of(site.told, site.depth_m))["rise_24h_k"] / truth["rise_24h_k"])))
    assert np.median(fitted) < 0.15
    assert np.mean(fitted) < np.mean(guessed)


def test_every_figure_lies_within_its_own_interval() -> None:
    """Low, value and high stand in order, and none is of no width."""
    found, _ = found_at(enclosed(7000))
    assert all(each.low < each.value < each.high for each in found.figures.values())


@pytest.mark.parametrize("kind", list(HeaterKind))
def test_a_step_s_mean_is_that_of_all_its_minutes(kind: HeaterKind) -> None:
    """Soil and air of ten-minute steps are the means of the same run in steps of a minute, pulses of heat and all."""
    site = enclosed(7003, kind)
    long, _, _ = logged(site, pulses=True)
    arrays: dict[str, Any] = {name: np.repeat(getattr(long, name), 10) for name in ARRAYS}
    short, column = replace(long, step_s=60.0, **arrays), column_of(site.told, site.depth_m)
    offs = np.zeros((1, len(MAY_BE_OFF) + 3))
    none = np.hstack([offs, np.zeros((1, 13))])
    for by_ten, by_one in zip(free_runs(long, column, none), free_runs(short, column, none), strict=True):
        assert by_ten[0] == pytest.approx(by_one[0].reshape(-1, 10).mean(axis=1), abs=1e-6)


def test_slopes_are_what_nudging_each_figure_alone_shows() -> None:
    """Away from the start too, for figures, starts and sky alike."""
    site = enclosed(7001)
    asks = _asks(logged(site)[0], column_of(site.told, site.depth_m))
    scaled = np.linspace(-0.5, 0.7, len(asks.spread))
    found = slopes(asks.missed_each, scaled, asks.nudges(scaled))
    for place in range(len(scaled)):
        nudge = np.eye(len(scaled))[place] * 1e-4
        above, below = asks.missed_each(np.vstack([scaled + nudge, scaled - nudge]))
        central = (above - below) / 2e-4
        assert found[:, place] == pytest.approx(central, abs=1e-3 * float(np.abs(central).max()))


@pytest.mark.parametrize("kind", list(HeaterKind))
def test_three_stores_answer_heat_as_the_layers_they_stand_for(kind: HeaterKind) -> None:
    """After a day of full heat they stand within 5 % of each other."""
    site = enclosed(7002, kind)
    column = column_of(site.told, site.depth_m)
    stores = stores_of(column, model_of(site.told, site.depth_m))
    assert float(rise_k(stores, 1800.0, 48).sum()) == pytest.approx(needed(column)["rise_24h_k"], rel=0.05)


@pytest.mark.long
@pytest.mark.parametrize("pulses", [False, True])
def test_over_thirty_enclosures_figures_are_close_and_intervals_honest(*, pulses: bool) -> None:
    """Two hours' and a day's rise are within 10 % in the middle, the loss within 6 % after pulses; it lies in its
    interval in nine cases of ten."""
    off: dict[str, list[float]] = {"rise_2h_k": [], "rise_24h_k": [], "loss_w_k": []}
    within = []
    for seed in range(8000, 8000 + ENCLOSURES):
        found, truth = found_at(enclosed(seed, HeaterKind.AIR_HEATER if pulses else None), pulses=pulses)
        for name, each in off.items():
            each.append(abs(found.figures[name].value / truth[name] - 1.0))
        loss = found.figures["loss_w_k"]
        within.append(loss.low <= truth["loss_w_k"] <= loss.high)
    loss_off = off.pop("loss_w_k")
    assert all(np.median(each) <= 0.1 for each in off.values())
    assert np.median(loss_off) <= 0.06 or not pulses
    assert np.mean(within) >= 0.9


@pytest.mark.parametrize("kind", list(HeaterKind))
def test_what_a_heater_does_not_give_to_the_air_it_gives_to_the_floor(kind: HeaterKind) -> None:
    """However the air's part is shifted, the parts of its power add up to all of it."""
    site = enclosed(7002, kind)
    offs = np.zeros(len(MAY_BE_OFF) + 3)
    offs[list(MAY_BE_OFF).index("to_air")] = 0.1
    found = shifted(column_of(site.told, site.depth_m), offs)
    assert found.to_air + found.to_surface + found.to_cable == pytest.approx(1.0)
