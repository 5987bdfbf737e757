"""The planner: where the soil stands, what weather comes, what the coming hours need, and when it says nothing."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy.linalg import toeplitz
from scipy.optimize import linprog

from controller.control.log import Log
from controller.control.outlook import Expectation
from controller.control.stepping import BED, UPPER, Array, rise_k, stepper
from controller.control.thermal import ThermalModel
from controller.control.tuned import forward_of
from controller.planning.ahead import weather_ahead
from controller.planning.estimate import estimate
from controller.planning.foresee import NoForesightError, foresee, lit, whole
from controller.planning.horizon import COLD_IS_DEAR, SLACK_K, STEP_S, STEPS, WARM_IS_VAIN, look_ahead
from controller.planning.learning import Lesson
from controller.planning.linear import linear
from controller.planning.planner import Planner
from tests.thermal_site import AIR, CABLE, FLOOR_M2, MIDNIGHT_MS, PLACE, facts, lived, with_gaps

HOUR_MS = 3_600_000
BY = linear(CABLE, STEP_S, FLOOR_M2)


def test_the_stores_nobody_measures_are_found_from_the_one_that_is() -> None:
    """Two days after a wrong guess the surface and the depths stand within half a kelvin of the truth."""
    log = lived(CABLE, 4.0)
    found = estimate(CABLE, log, FLOOR_M2)
    again = estimate(CABLE, lived(CABLE, 4.0), FLOOR_M2)
    assert found.state == pytest.approx(again.state)
    assert found.state[BED] == pytest.approx(log.soil_c[-1], abs=0.2)
    assert abs(found.state[UPPER] - found.state[BED]) < 6.0
    assert found.missed_k < 0.2


def test_a_wrong_model_shows_itself() -> None:
    """A heater thought twice as strong misses the soil six hours ahead, and there is no plan."""
    log = lived(CABLE, 4.0)
    wrong = replace(CABLE, heater_w=6 * CABLE.heater_w)
    assert estimate(wrong, log, FLOOR_M2).missed_k > 1.0
    with pytest.raises(NoForesightError, match="missed the soil by"):
        foresee(facts(), wrong, log)


def test_silent_soil_probes_leave_gaps_and_no_trouble() -> None:
    """Every third soil reading missing: the estimate hardly moves."""
    log = lived(CABLE, 4.0)
    gone = replace(log, soil_c=with_gaps(log.soil_c, 3))
    assert estimate(CABLE, gone, FLOOR_M2).state[:3] == pytest.approx(estimate(CABLE, log, FLOOR_M2).state[:3], abs=0.3)


def test_heat_is_no_more_than_the_soil_needs_where_nothing_threatens() -> None:
    """Steady weather, soil at its set point: the plan's mean duty is the model's steady one."""
    forward = forward_of(CABLE)
    steady = forward.outside_per_k * 14.0 + forward.deep_per_k * (18.0 - forward.deep_c)
    state = np.array([14.5, 18.0, 15.0, steady * CABLE.heater_w, 0.0])
    ahead = look_ahead(BY, state, np.full(STEPS, 4.0), np.zeros(STEPS), np.full(STEPS, 18.0), 1.0)
    assert ahead.duty[:48].mean() == pytest.approx(steady, abs=0.15)
    assert ahead.soil_c[1:49].min() > 17.9


def test_heat_comes_before_a_night_the_heater_cannot_carry() -> None:
    """A cold that full heat cannot hold begins in ten hours: the plan heats before it, but not without bound."""
    cold = np.where(np.arange(STEPS) < 20, 6.0, -16.0)
    state = np.array([15.0, 18.0, 15.0, 150.0, 0.0])
    ahead = look_ahead(BY, state, cold, np.zeros(STEPS), np.full(STEPS, 18.0), 1.0)
    calm = look_ahead(BY, state, np.full(STEPS, 6.0), np.zeros(STEPS), np.full(STEPS, 18.0), 1.0)
    assert ahead.duty[:20].sum() > calm.duty[:20].sum() + 2.0
    assert ahead.soil_c.max() < 20.5


def test_a_night_just_beyond_the_heater_warms_little_soil_more_than_a_kelvin_too_much() -> None:
    """Ten dark hours at -25 Cel begin in eight hours: soil is hardly 1 K too warm before them, and held almost."""
    strong = linear(replace(CABLE, heater_w=1.9 * CABLE.heater_w), STEP_S, FLOOR_M2)
    steps = np.arange(STEPS)
    outside_c = np.where((steps >= 16) & (steps < 36), -25.0, 6.0)
    state = np.array([15.0, 18.0, 15.0, 150.0, 0.0])
    found = look_ahead(strong, state, outside_c, np.zeros(STEPS), np.full(STEPS, 18.0), 1.0)
    assert 18.8 < found.soil_c[1:].max() < 19.5
    assert np.maximum(found.soil_c - 19.0, 0.0).sum() < 3.0
    assert found.soil_c[12:].min() > 17.0


@pytest.mark.parametrize("asked_c", [9.0, 12.0, 18.0])
def test_steps_that_cannot_be_too_cold_or_too_warm_change_nothing(asked_c: float) -> None:
    """The heat found costs no more than what another solver finds with every step of the day and a half asked about."""
    outside_c = 4.0 + 8.0 * np.sin(np.arange(STEPS) * 2 * np.pi / 48.0)
    light = np.clip(600.0 * np.sin(np.arange(STEPS) * 2 * np.pi / 48.0), 0.0, None)
    state, set_point_c = np.array([10.0, 11.0, 12.0, 0.0, 0.0]), np.full(STEPS, asked_c)
    found = look_ahead(BY, state, outside_c, light, set_point_c, 1.0)
    lift = toeplitz(rise_k(CABLE, STEP_S, STEPS), np.zeros(STEPS))
    free_c, forward, none = found.soil_c[1:] - lift @ found.duty, forward_of(CABLE), np.zeros((STEPS, STEPS))
    hold = forward.outside_per_k + forward.deep_per_k
    vain = np.where(light < 20.0, WARM_IS_VAIN * hold, 0.0)
    whole = linprog(
        np.concatenate([np.ones(STEPS), np.full(STEPS, COLD_IS_DEAR * hold), vain]),
        A_ub=np.block([[-lift, -np.eye(STEPS), none], [lift, none, -np.eye(STEPS)]]),
        b_ub=np.concatenate([free_c - set_point_c, set_point_c + SLACK_K - free_c]),
        bounds=[(0.0, 1.0)] * STEPS + [(0.0, None)] * (2 * STEPS),
        method="highs-ipm",
    )
    short_k, warm_k = (
        np.maximum(set_point_c - found.soil_c[1:], 0.0),
        np.maximum(found.soil_c[1:] - asked_c - SLACK_K, 0.0),
    )
    cost = found.duty.sum() + hold * COLD_IS_DEAR * short_k.sum() + vain @ warm_k
    assert cost == pytest.approx(whole.fun, rel=1e-6, abs=1e-6)


def test_a_warm_afternoon_asks_nothing_of_the_heat_of_the_night_before_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """The sun takes soil 3 K over its set point: the cold morning before it gets all the heat that it would get without
    any price of warmth."""
    light = np.where((np.arange(STEPS) >= 14) & (np.arange(STEPS) < 34), 600.0, 0.0)
    state = np.array([14.5, 18.0, 15.0, 150.0, 0.0])
    night = BY, state, np.full(STEPS, -2.0), light, np.full(STEPS, 18.0), 1.0
    found = look_ahead(*night)
    assert found.soil_c[14:35].max() > 21.0
    monkeypatch.setattr("controller.planning.horizon.WARM_IS_VAIN", 0.0)
    assert found.duty[:20].sum() == pytest.approx(look_ahead(*night).duty[:20].sum(), abs=1e-6)


def turned_warmer() -> tuple[Array, Array]:
    """Return two plans of an air heater for soil that stands 1.5 K too warm and a night that full heat just holds not:
    as they are, and where uneven heat costs nothing."""
    by, cold_c = linear(AIR, STEP_S, FLOOR_M2), np.full(STEPS, -6.0)
    state = np.array([18.0, 19.5, 15.0, AIR.heater_w, 0.0])
    night = by, state, cold_c, np.zeros(STEPS), np.full(STEPS, 18.0), 1.0
    even = look_ahead(*night)
    free = look_ahead(replace(by, to_air=0.0), *night[1:])
    return even.duty, free.duty


def test_an_air_heater_is_not_put_out_for_what_little_less_is_needed() -> None:
    """A night with a little more than it needs: less heat for hours, not none for half an hour; no more in all."""
    even, free = turned_warmer()
    assert free[:24].min() < 0.1
    assert even[:24].min() > 0.4
    assert np.maximum(np.diff(even[:24]), 0.0).sum() < 0.6 * np.maximum(np.diff(free[:24]), 0.0).sum()
    assert even.sum() < 1.01 * free.sum()


def test_no_heat_is_planned_for_soil_that_is_too_warm_for_the_loop_to_heat_it() -> None:
    """Soil 4 K above its set point before a bitter night: heat from the half hour on that brings it down to 2.75 K."""
    state = np.array([22.0, 22.0, 17.0, 0.0, 0.0])
    bitter = np.full(STEPS, -16.0)
    found = look_ahead(BY, state, bitter, np.zeros(STEPS), np.full(STEPS, 18.0), 1.0)
    assert found.soil_c[0] == 22.0
    begins = int(np.argmax(found.duty > 0.0))
    assert begins > 1
    assert found.soil_c[begins] > 18.0 + 2.75
    assert BY.through(state, np.column_stack([bitter, np.zeros((STEPS, 2))]))[begins + 1] <= 18.0 + 2.75


def test_predicting_and_correcting_at_once_is_doing_one_after_the_other() -> None:
    """The stores found are those of a filter that predicts each row and then corrects it where the probe spoke."""
    log = lived(CABLE, 2.0)
    log = replace(log, soil_c=with_gaps(log.soil_c, 7))
    found, step = estimate(CABLE, log, FLOOR_M2), stepper(CABLE, 600.0)
    pushed = np.column_stack([log.outside_c, log.light_w_m2, log.duty])
    for row in range(100, 288):
        predicted = step.after(found.path[row - 1], pushed[row])
        if np.isnan(log.soil_c[row]):
            assert found.path[row] == pytest.approx(predicted)
        else:
            gain = (found.path[row] - predicted) / (log.soil_c[row] - predicted[BED])
            assert 0.0 < gain[BED] < 1.0
            assert gain == pytest.approx(linear(CABLE, 600.0, FLOOR_M2).gain, rel=1e-3, abs=1e-6)


def test_nothing_asked_gets_no_heat() -> None:
    """NaN as a set point asks for nothing."""
    state = np.array([5.0, 5.0, 6.0, 0.0, 0.0])
    ahead = look_ahead(BY, state, np.full(STEPS, -5.0), np.zeros(STEPS), np.full(STEPS, np.nan), 1.0)
    assert ahead.duty.max() == pytest.approx(0.0, abs=1e-9)


def test_no_plan_asks_for_more_than_the_longest_closing_allows() -> None:
    """The rests after the longest closing are part of the heater."""
    state = np.array([5.0, 5.0, 6.0, 0.0, 0.0])
    ahead = look_ahead(BY, state, np.full(STEPS, -5.0), np.zeros(STEPS), np.full(STEPS, 18.0), 0.9)
    assert ahead.duty.max() <= 0.9 + 1e-9


def test_without_a_forecast_tomorrow_is_as_today() -> None:
    """The same hours a day before, moved by today's difference, which fades; light by the clear sky and its share."""
    log = lived(CABLE, 3.0)
    weather = weather_ahead(log, (), PLACE, STEP_S, STEPS)
    assert weather.outside_c[:48] == pytest.approx(weather.outside_c[24:72][:48], abs=12.0)
    assert weather.outside_c.max() - weather.outside_c.min() == pytest.approx(12.0, abs=2.0)
    assert weather.light_w_m2[:12].max() == 0.0
    assert 100.0 < weather.light_w_m2[16:32].max() < 900.0


def test_a_forecast_goes_before_yesterday_as_far_as_it_reaches() -> None:
    """Straight lines between what was told; beyond its end, yesterday again."""
    log = lived(CABLE, 3.0)
    told = [Expectation(log.ends_ms + hour * HOUR_MS, -9.0, 0.0) for hour in range(1, 13)]
    weather = weather_ahead(log, told, PLACE, STEP_S, STEPS)
    alone = weather_ahead(log, (), PLACE, STEP_S, STEPS)
    assert weather.outside_c[:24] == pytest.approx(-9.0)
    assert weather.outside_c[24:] == pytest.approx(alone.outside_c[24:])
    assert weather.light_w_m2[:24] == pytest.approx(0.0)


@pytest.mark.parametrize(
    ("broken", "said"),
    [
        ({"soil_c": np.full(576, np.nan)}, "the soil probe was silent"),
        ({"outside_c": np.full(576, np.nan)}, "the outside probe was silent"),
    ],
)
def test_a_broken_record_gives_no_plan_and_says_why(broken: dict[str, Any], said: str) -> None:
    """The reason is what the page shows."""
    with pytest.raises(NoForesightError, match=said):
        foresee(facts(), CABLE, replace(lived(CABLE, 4.0), **broken))


def test_what_a_forecast_misses_now_is_laid_on_its_coming_hours_and_fades() -> None:
    """One that is 5 K too warm now is moved by nearly all of it at first, by a third of it after twelve hours."""
    log = lived(CABLE, 3.0)
    now_c = float(log.outside_c[-3:].mean())
    told = [Expectation(log.ends_ms + (hour * 2 - 1) * HOUR_MS // 2, now_c + 5.0) for hour in range(0, 48)]
    weather = weather_ahead(log, told, PLACE, STEP_S, STEPS)
    assert weather.outside_c[0] == pytest.approx(now_c + 5.0 - 5.0 * np.exp(-0.25 / 12.0), abs=0.01)
    assert weather.outside_c[24] == pytest.approx(now_c + 5.0 - 5.0 * np.exp(-12.25 / 12.0), abs=0.01)


def test_a_day_of_record_is_needed() -> None:
    """23 h are too few, 24 are enough."""
    log = lived(CABLE, 4.0)
    with pytest.raises(NoForesightError, match="only 23 h of record"):
        foresee(facts(), CABLE, log.latest(23 * 3600))
    assert foresee(facts(), CABLE, log.latest(24 * 3600)).starts_ms == log.ends_ms


def test_a_plan_says_what_it_expects() -> None:
    """One soil more than steps, duty within 0..1, and the model's own figures for the loop."""
    plan = foresee(facts(), CABLE, lived(CABLE, 4.0))
    assert len(plan.soil_c) == len(plan.duty) + 1 == STEPS + 1
    assert 0.0 <= min(plan.duty) <= max(plan.duty) <= 1.0
    assert plan.tuned is not None
    assert plan.tuned.model == CABLE
    assert set(plan.set_point_c) == {18.0}
    assert foresee(facts(None), CABLE, lived(CABLE, 4.0)).set_point_c == (None,) * STEPS


@pytest.mark.parametrize(("model", "off"), [(CABLE, 0.3), (AIR, 0.4)], ids=["cable", "air"])
def test_without_a_light_probe_the_air_tells_of_the_sun_by_day_alone(model: ThermalModel, off: float) -> None:
    """At noon it tells some 30 to 40 % too much; nothing at night, whatever the heater does to it."""
    log = lived(model, 4.0)
    seen = lit(facts(has_light=False), model, whole(replace(log, light_w_m2=np.full(len(log), np.nan))))
    noon, night = slice(66, 78), slice(0, 30)
    assert seen.light_w_m2[noon].mean() == pytest.approx(log.light_w_m2[noon].mean(), rel=off)
    assert seen.light_w_m2[night].max() == 0.0


@pytest.mark.parametrize("model", [CABLE, AIR], ids=["cable", "air"])
def test_where_a_light_probe_has_died_the_air_stands_in_for_it(model: ThermalModel) -> None:
    """At noon of the third day: its last word is not held through the night, and what it said before it stays."""
    log = lived(model, 4.0)
    died = 2 * 144 + 72
    light = log.light_w_m2.copy()
    light[died:] = np.nan
    seen = lit(facts(), model, whole(replace(log, light_w_m2=light))).light_w_m2
    assert (seen[:died] == log.light_w_m2[:died]).all()
    assert (seen[died:] == lit(facts(has_light=False), model, whole(log)).light_w_m2[died:]).all()
    assert seen[3 * 144 : 3 * 144 + 30].max() == 0.0


def test_a_light_probe_that_has_died_ends_no_plan() -> None:
    """A day and a half after its last word, which was noon's: the plan is about what it would have been."""
    log = lived(CABLE, 4.0)
    light = log.light_w_m2.copy()
    light[2 * 144 + 72 :] = np.nan
    found, wanted = foresee(facts(), CABLE, replace(log, light_w_m2=light)), foresee(facts(), CABLE, log)
    assert sum(found.duty) == pytest.approx(sum(wanted.duty), rel=0.2)


def test_a_lesson_that_taught_nothing_is_tried_again_after_three_hours() -> None:
    """And one that taught something, after a day."""
    asked: list[int] = []

    def taught(_facts: object, _geometry: object, model: ThermalModel, log: Log) -> Lesson | None:
        asked.append(log.ends_ms)
        return Lesson(model, {}) if len(asked) == 2 else None

    planner = Planner(facts(), CABLE, taught)
    for half_hours in range(2 * 30):
        planner.turn(replace(lived(CABLE, 1.0), ends_ms=MIDNIGHT_MS + half_hours * 1_800_000))
    assert [(each - MIDNIGHT_MS) / HOUR_MS for each in asked] == [0.0, 3.0, 27.0]


def test_a_forecast_that_begins_later_says_nothing_of_the_hours_before_it() -> None:
    """Fed in for tomorrow night alone: until then tomorrow is as today."""
    log = lived(CABLE, 3.0)
    told = [Expectation(log.ends_ms + hour * HOUR_MS, -9.0, 0.0) for hour in range(18, 37)]
    weather = weather_ahead(log, told, PLACE, STEP_S, STEPS)
    alone = weather_ahead(log, (), PLACE, STEP_S, STEPS)
    assert weather.outside_c[:34] == pytest.approx(alone.outside_c[:34])
    assert weather.light_w_m2[:34] == pytest.approx(alone.light_w_m2[:34])
    assert weather.outside_c[36:] == pytest.approx(-9.0)


def test_a_forecast_of_every_third_hour_is_a_straight_line_now_as_later() -> None:
    """Half an hour before its next word: the hour to come lies on the line from its last one."""
    log = lived(CABLE, 3.0)
    told = [Expectation(log.ends_ms + round((hour - 2.5) * HOUR_MS), 2.0 * hour) for hour in range(0, 48, 3)]
    coarse = weather_ahead(log, told, PLACE, STEP_S, STEPS)
    hourly = [Expectation(log.ends_ms + round((hour - 2.5) * HOUR_MS), 2.0 * hour) for hour in range(0, 46)]
    assert coarse.outside_c == pytest.approx(weather_ahead(log, hourly, PLACE, STEP_S, STEPS).outside_c)


def test_a_lesson_from_a_clock_that_was_ahead_is_followed_by_others() -> None:
    """Learnt, by a clock that was wrong, ten years from now: the next lesson is due at once."""
    asked: list[int] = []

    def taught(_facts: object, _geometry: object, model: ThermalModel, log: Log) -> Lesson | None:
        asked.append(log.ends_ms)
        return Lesson(model, {})

    def turned(learnt_ms: int) -> list[int]:
        asked.clear()
        planner = Planner(facts(), CABLE, taught, learnt_ms=learnt_ms)
        for half_hours in range(3):
            planner.turn(replace(lived(CABLE, 1.0), ends_ms=MIDNIGHT_MS + half_hours * 1_800_000))
        return list(asked)

    assert turned(MIDNIGHT_MS + 3650 * 86_400_000) == [MIDNIGHT_MS]
    assert turned(MIDNIGHT_MS + 600_000) == [], "adopted since the half hour from which it plans"


def test_a_silence_in_a_forecast_is_no_straight_line_through_a_night() -> None:
    """Ten hours left out: of those tomorrow is as today; where it speaks, also every sixth hour, it is followed."""
    log = lived(CABLE, 3.0)
    alone = weather_ahead(log, (), PLACE, STEP_S, STEPS)
    told = [Expectation(log.ends_ms + hour * HOUR_MS, 20.0, 300.0) for hour in (0, 3, 9, 19, 20, 36)]
    weather = weather_ahead(log, told, PLACE, STEP_S, STEPS)
    silent = np.r_[18:38, 40:72]
    assert weather.outside_c[silent] == pytest.approx(alone.outside_c[silent])
    assert weather.light_w_m2[silent] == pytest.approx(alone.light_w_m2[silent])
    assert weather.light_w_m2[:18] == pytest.approx(300.0)
