"""The coming night: what it asks of the heater, how cold a night could be carried, what more cover would change."""

from dataclasses import astuple, replace

import numpy as np
import pytest

from controller.control.model_of import model_of
from controller.control.outlook import Expectation
from controller.control.stepping import BED, Array, stepper, through
from controller.planning.carry import HELD_K, Carry, _under, carry
from controller.planning.foresee import Ready, ready
from controller.planning.horizon import STEP_S, STEPS, look_ahead
from controller.planning.last_nights import LastNights, last_nights
from controller.planning.linear import linear
from controller.plant.column import Column, column_of
from controller.plant.column import air_c as air_of
from controller.plant.construction import Construction, HeaterKind
from controller.plant.sun import is_dark
from tests.thermal_site import AIR, CABLE, MIDNIGHT_MS, facts, lived
from tests.unit.test_last_nights import under_a_sky

HOUR_MS = 3_600_000
BUILT = Construction()


def evening(outside_c: float, asked_c: float | None = 16.0) -> tuple[Ready, Carry]:
    """Return an evening in March after four days of record, with a steady night ahead."""
    log = replace(lived(CABLE, 4.0), ends_ms=MIDNIGHT_MS - 6 * HOUR_MS)
    outlook = tuple(Expectation(log.ends_ms + hour * HOUR_MS, outside_c, 0.0) for hour in range(1, 50))
    begun = ready(facts(asked_c), CABLE, log, outlook)
    found = carry(facts(asked_c), BUILT, begun)
    assert found is not None
    return begun, found


def test_the_night_is_the_dark_hours() -> None:
    """From about 18:00 to about 06:00 UTC at 46 N, 8 E in early March, and so cold as the outlook has it."""
    _, found = evening(-3.0)
    assert MIDNIGHT_MS - 7 * HOUR_MS <= found.starts_ms <= MIDNIGHT_MS - 5 * HOUR_MS
    assert MIDNIGHT_MS + 5 * HOUR_MS <= found.ends_ms <= MIDNIGHT_MS + 7 * HOUR_MS
    assert found.outside_c == pytest.approx(-3.0)


def test_full_heat_just_holds_the_coldest_night_it_is_said_to_hold() -> None:
    """Run with full heat through a night of that minimum, the soil ends it at the set point less half a kelvin."""
    begun, found = evening(0.0)
    night = found.nights["as it is"]
    assert night.holds_to_c is not None
    step, state = stepper(CABLE, STEP_S), begun.state
    for _ in range(round((found.ends_ms - begun.log.ends_ms) / 1000 / STEP_S)):
        state = step.after(state, np.array([night.holds_to_c, 0.0, 1.0]))
    lately = last_nights(CABLE, BUILT, facts().depth_m, begun.log, facts().place)
    assert state[BED] + lately.soil_k == pytest.approx(16.0 - HELD_K, abs=0.02)


@pytest.mark.parametrize("outside_c", [4.0, -4.0, -25.0])
def test_the_night_is_short_exactly_when_it_is_colder_than_can_be_held(outside_c: float) -> None:
    """Warmer than the limit: held; colder: the soil is said to end below its set point."""
    _, found = evening(outside_c, 20.0)
    night = found.nights["as it is"]
    assert night.holds_to_c is not None
    assert (night.short_k > HELD_K) == (outside_c < night.holds_to_c)


def test_more_cover_holds_colder_nights_for_less() -> None:
    """A second layer and a row cover: fewer kilowatt hours, a colder limit, warmer soil."""
    _, found = evening(-4.0)
    plain = found.nights["as it is"]
    for name in ("second layer", "row cover"):
        better = found.nights[name]
        assert better.energy_kwh < plain.energy_kwh
        assert better.holds_to_c is not None
        assert plain.holds_to_c is not None
        assert better.holds_to_c < plain.holds_to_c
    assert found.nights["second layer"].air_c > plain.air_c


def test_a_double_cover_gets_no_second_layer() -> None:
    """What is there already cannot be added."""
    begun, _ = evening(-4.0)
    found = carry(facts(16.0), replace(BUILT, film_u_w_m2k=3.7), begun)
    assert found is not None
    assert set(found.nights) == {"as it is", "row cover"}


def test_a_night_when_nothing_is_asked_needs_nothing() -> None:
    """No heat, nothing short, no limit."""
    _, found = evening(-4.0, None)
    night = found.nights["as it is"]
    assert (found.asked_c, night.energy_kwh, night.short_k, night.holds_to_c) == (None, pytest.approx(0.0), 0.0, None)


def test_where_the_sun_does_not_set_there_is_no_night() -> None:
    """Midsummer beyond the polar circle."""
    begun, _ = evening(0.0)
    north = facts(16.0, place=replace(facts().place, latitude=78.0))
    midsummer = replace(begun, log=replace(begun.log, ends_ms=MIDNIGHT_MS + 110 * 24 * HOUR_MS))
    assert carry(north, BUILT, midsummer) is None


def test_a_row_cover_is_not_made_better_than_it_is() -> None:
    """Thin spunbond keeps off moving air alone: a night some 4 K colder for it, less than with a second layer."""
    _, found = evening(-4.0)
    gained_k = {
        name: (found.nights["as it is"].holds_to_c or 0.0) - (each.holds_to_c or 0.0)
        for name, each in found.nights.items()
    }
    assert 2.0 < gained_k["row cover"] < 5.0
    assert gained_k["row cover"] < gained_k["second layer"]


def test_the_air_of_the_coming_night_is_as_much_off_its_balance_as_that_of_the_last_ones() -> None:
    """Air that was 2 K colder in every dark hour, as under a clear sky: foreseen so much colder, the soil as before."""
    log = replace(lived(CABLE, 4.0), ends_ms=MIDNIGHT_MS - 6 * HOUR_MS)
    at_ms = log.ends_ms - 600_000 * (np.arange(len(log))[::-1] + 0.5)
    dark = np.array([is_dark(int(ms) // 60_000, facts().place.latitude, facts().place.longitude) for ms in at_ms])
    chilled = replace(log, air_c=log.air_c - 2.0 * dark)
    outlook = tuple(Expectation(log.ends_ms + hour * HOUR_MS, 0.0, 0.0) for hour in range(49))
    nights = []
    for each in (log, chilled):
        found = carry(facts(16.0), BUILT, ready(facts(16.0), CABLE, each, outlook))
        assert found is not None
        nights.append(found.nights["as it is"])
    assert nights[1].air_c - nights[0].air_c == pytest.approx(-2.0, abs=0.05)
    assert nights[1].soil_c == nights[0].soil_c


def test_the_soil_of_the_coming_night_ends_as_much_off_the_model_as_the_last_ones_did() -> None:
    """After nights under a sky that no probe sees, an unheated night ends colder than the model alone has it."""
    log, unasked = under_a_sky(CABLE, 8.0), facts(None)
    outlook = tuple(Expectation(log.ends_ms + hour * HOUR_MS, 0.0, 0.0) for hour in range(1, 50))
    begun = ready(unasked, CABLE, log, outlook)
    found, lately = carry(unasked, BUILT, begun), last_nights(CABLE, BUILT, 0.1, begun.log, unasked.place)
    assert found is not None
    inputs = np.column_stack([begun.weather.outside_c, begun.weather.light_w_m2, np.zeros(STEPS)])
    ends = round((found.ends_ms - log.ends_ms) / 1000 / STEP_S)
    alone_c = through(stepper(CABLE, STEP_S), begun.state, inputs)[ends, BED]
    assert lately.soil_k < -0.1
    assert found.nights["as it is"].soil_c == pytest.approx(alone_c + lately.soil_k)


def test_air_that_loses_less_is_warmed_more_by_the_same_heat() -> None:
    """Under a cover that halves all that the air loses, full heat warms it twice as much; soil and sky stay as told."""
    lately = LastNights(-0.2, -1.0, 10.0)
    halved = replace(AIR, loss_w_k=AIR.loss_w_k / 2.0, exchange_w_k=AIR.exchange_w_k / 2.0)
    assert astuple(_under(lately, halved, AIR)) == (-0.2, -1.0, pytest.approx(20.0))


def half_hours_of_air_c(layers: Column, begun: Ready, inputs: Array) -> Array:
    """Return the air [Cel] of every half hour, ten minutes apart, step by step; the plan is taken two minutes late."""
    step, state, was, rows = linear(layers, 600.0, BUILT.floor_m2).step, begun.state, begun.log.duty[-1], []
    for outside_c, light, duty in np.repeat(inputs, 3, axis=0):
        row = np.array([[outside_c, light, 0.2 * was + 0.8 * duty]])
        after, was = step.after(state, row[0]), duty
        rows.append(float(air_of(layers, (state + after)[None] / 2.0, row)[0]))
        state = after
    return np.array([np.mean(rows[place : place + 3]) for place in range(len(rows) - 2)])


@pytest.mark.parametrize("kind", list(HeaterKind))
def test_where_layers_are_known_the_night_is_what_they_make_of_the_heat_planned_with_them(kind: HeaterKind) -> None:
    """Soil and air of the coldest half hour of the dark are the layers' own, moved by the last nights' lesson alone."""
    built = Construction(heater=kind, rated_w=500.0)
    layers, stores, asked = column_of(built, 0.1), model_of(built, 0.1), facts(15.0)
    log = replace(lived(stores, 4.0), ends_ms=MIDNIGHT_MS - 6 * HOUR_MS)
    outlook = tuple(Expectation(log.ends_ms + hour * HOUR_MS, 2.0, 0.0) for hour in range(1, 50))
    begun = ready(asked, stores, log, outlook, layers)
    found = carry(asked, built, begun)
    assert found is not None
    by, weather = linear(layers, STEP_S, asked.floor_m2), begun.weather
    heat = look_ahead(by, begun.state, weather.outside_c, weather.light_w_m2, np.full(STEPS, 15.0), asked.most)
    inputs = np.column_stack([weather.outside_c, weather.light_w_m2, heat.duty])
    states = through(by.step, begun.state, inputs)[1:]
    air_c = half_hours_of_air_c(layers, begun, inputs)
    first, last = (round((ms - log.ends_ms) / 1000 / STEP_S) for ms in (found.starts_ms, found.ends_ms))
    lately, night = last_nights(layers, built, 0.1, begun.log, asked.place), found.nights["as it is"]
    assert lately.heat_k == 0.0
    assert night.air_c == pytest.approx(air_c[3 * first : 3 * last - 2].min() + lately.air_k)
    assert night.soil_c == pytest.approx((states @ by.seen)[first:last].min(), abs=abs(lately.soil_k))
    assert night.energy_kwh == pytest.approx(heat.duty[:48].sum() * 0.5 * 0.5)
