"""The last nights' lesson: what sky and heat did beyond the model, laid on the night to come."""

from dataclasses import replace

import numpy as np
import pytest

from controller.control.log import Log
from controller.control.model_of import model_of
from controller.control.stepping import HEAT, air_c, stepper, through
from controller.control.thermal import ThermalModel
from controller.planning.ahead import clear_w_m2
from controller.planning.last_nights import LastNights, balance_c, heated_k, last_nights, whole_nights
from controller.planning.linear import linear
from controller.plant import column as layered
from controller.plant.column import column_of
from controller.plant.construction import Construction, HeaterKind
from tests.thermal_site import AIR, CABLE, FLOOR_M2, MIDNIGHT_MS, PLACE, lived

EVENING_MS = MIDNIGHT_MS - 6 * 3_600_000
HOT_AIR = Construction(heater=HeaterKind.AIR_HEATER, rated_w=1500.0)


def under_a_sky(model: ThermalModel, sky_k: float) -> Log:
    """Return four days up to an evening in which every night was so much colder than any probe outside told."""
    log = replace(lived(model, 4.0), ends_ms=EVENING_MS)
    dark = clear_w_m2(log, PLACE) <= 0.0
    step, light = stepper(model, log.step_s), np.where(dark, 0.0, 300.0)
    inputs = np.column_stack([log.outside_c - sky_k * dark, light, log.duty])
    start = np.array([14.0, 15.0, 13.0, 0.0, 0.0])
    states = through(step, start, inputs)[1:]
    return replace(log, soil_c=states[:, 1], air_c=air_c(model, states.T, inputs.T), light_w_m2=light)


def lesson(log: Log, model: ThermalModel, built: Construction) -> LastNights:
    """Return what the log's last nights teach."""
    return last_nights(model, built, 0.1, log, PLACE)


def test_a_sky_that_no_probe_sees_shows_in_soil_and_air_alike() -> None:
    """Each kelvin of it makes the nights' ends colder than the model has them; without a sky little is off."""
    plain, clear = (lesson(under_a_sky(CABLE, sky_k), CABLE, Construction()) for sky_k in (0.0, 8.0))
    assert abs(plain.soil_k) < 0.1
    assert clear.soil_k < plain.soil_k - 0.15
    per_k = CABLE.loss_w_k / (CABLE.loss_w_k + CABLE.exchange_w_k)
    assert clear.air_k - plain.air_k == pytest.approx(-8.0 * per_k, abs=1.0)


@pytest.mark.parametrize("times", [0.6, 1.8])
def test_heat_that_warms_the_air_otherwise_than_geometry_says_is_found(times: float) -> None:
    """Air that full heat warms by so many times the model's is said to be warmed by that, within a tenth."""
    log = under_a_sky(AIR, 0.0)
    warmer_k = (times - 1.0) * heated_k(AIR) * np.convolve(log.duty, np.ones(3) / 3.0, "same")
    found = lesson(replace(log, air_c=log.air_c + warmer_k), AIR, HOT_AIR)
    assert found.heat_k == pytest.approx(times * heated_k(AIR), rel=0.1)


def test_without_a_whole_night_geometry_has_the_word() -> None:
    """Six hours of dark that began before the record teach nothing."""
    log = replace(under_a_sky(AIR, 8.0), ends_ms=MIDNIGHT_MS + 12 * 3_600_000).latest(12 * 3600.0)
    assert whole_nights(log, PLACE) == []
    assert lesson(log, AIR, HOT_AIR) == LastNights(0.0, 0.0, heated_k(model_of(HOT_AIR, 0.1)))


def test_whole_nights_begin_and_end_within_the_record() -> None:
    """Four days up to the evening hold three nights or four, dark through and light before and after."""
    log = under_a_sky(CABLE, 0.0)
    dark = clear_w_m2(log, PLACE) <= 0.0
    nights = whole_nights(log, PLACE)
    assert len(nights) in (3, 4)
    for first, last in nights:
        assert dark[first:last].all()
        assert not dark[first - 1]
        assert not dark[last]


@pytest.mark.parametrize("model", [CABLE, AIR])
def test_air_without_its_own_heat_is_the_balance_less_what_heat_gives(model: ThermalModel) -> None:
    """A cable gives the air nothing of its own, an air heater all that is not radiant."""
    states = np.full((2, 5), 15.0)
    states[:, HEAT] = model.heater_w
    inputs = np.array([[5.0, 0.0, 1.0]])
    cold = states.copy()
    cold[:, HEAT] = 0.0
    assert balance_c(model, states, inputs)[0] == pytest.approx(float(air_c(model, cold[0], inputs[0])))


def test_air_is_told_as_the_mean_of_a_row_not_as_it_ends() -> None:
    """Heat that has just begun: half way between the air of before and the air it leads to."""
    layers, inputs = column_of(HOT_AIR, 0.1), np.array([[2.0, 0.0, 1.0]])
    by = linear(layers, 600.0, FLOOR_M2)
    states = through(by.step, by.begun(12.0, 0.0), inputs)
    first_c, last_c = (float(layered.air_c(layers, each[None], inputs)[0]) for each in states)
    assert last_c > first_c + 5.0
    assert balance_c(layers, states, inputs)[0] == pytest.approx((first_c + last_c) / 2.0)


def test_layers_that_the_air_obeys_have_nothing_to_learn_from_nights_of_pulsed_heat() -> None:
    """Ten minutes on, twenty off, by a hot air heater: half hours are compared with half hours, and heat is theirs."""
    layers, plain = column_of(HOT_AIR, 0.1), under_a_sky(AIR, 0.0)
    duty = np.resize([1.0, 0.0, 0.0], len(plain))
    by, inputs = linear(layers, 600.0, FLOOR_M2), np.column_stack([plain.outside_c, plain.light_w_m2, duty])
    states = through(by.step, by.begun(12.0, 0.0), inputs)
    air_c = layered.air_c(layers, (states[1:] + states[:-1]) / 2.0, inputs)
    told = replace(plain, duty=duty, soil_c=states[1:] @ by.seen, air_c=air_c)
    found = last_nights(layers, HOT_AIR, 0.1, told, PLACE)
    assert found.heat_k == 0.0
    assert found.air_k == pytest.approx(0.0, abs=0.3)


def test_layers_take_the_soil_of_the_night_to_come_as_they_estimate_it() -> None:
    """A sky that no probe sees is in the heat that they do not explain already: no lesson of soil is laid on it."""
    clear = under_a_sky(CABLE, 8.0)
    assert lesson(clear, CABLE, Construction()).soil_k < -0.1
    assert last_nights(column_of(Construction(), 0.1), Construction(), 0.1, clear, PLACE).soil_k == 0.0


def test_ten_minutes_of_silent_air_cost_no_night_its_lesson() -> None:
    """One row without a word on the first evening: what the later nights teach stays as it was."""
    clear = under_a_sky(CABLE, 8.0)
    air_c = clear.air_c.copy()
    air_c[5] = np.nan
    assert lesson(clear, CABLE, Construction()).air_k < -1.0
    assert lesson(replace(clear, air_c=air_c), CABLE, Construction()) == lesson(clear, CABLE, Construction())
