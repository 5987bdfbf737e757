"""The comparison of control stands on its plant, its optimum and its judge; each is checked here."""

import math
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from controller.plant import Plant
from tests.bench.control import baselines, constructions
from tests.bench.control.compare import JUDGED, SHIFTS_K, Controller, Curve, Run, curve, judge
from tests.bench.control.eyes import EYES, Eyes
from tests.bench.control.lab_plant import CORE, ONE, OUTSIDE, POWER, SOIL_PROBE, Built, LabPlant, Linear
from tests.bench.control.nights import off_by_the_night
from tests.bench.control.optimum import HALF_S, STEPS, optimum, problem, shortfalls, with_pauses
from tests.bench.control.ours import LOST_AFTER_S, Seen
from tests.bench.control.pool import Kept, all_of, code_now
from tests.bench.control.rows import BAND_K, CONTROLLERS, ROWS, UNPLANNED, Case, Score, case, controller, score
from tests.bench.control.section import _parser, _runs, _told_again, main, missed, most_over_kh
from tests.bench.control.weather import FORECASTS, STEP_S, fortnight

EVERY = (
    *constructions.CABLE_SHORT,
    *constructions.CABLE_AMPLE,
    *constructions.AIR_AMPLE,
    *constructions.AIR_SHORT,
)


@cache
def one_case() -> Case:
    """Return a case whose optimum has room."""
    return case("cable-ample", 0)


@pytest.mark.parametrize("built", EVERY)
def test_without_heat_and_sun_everything_stands_as_warm_as_outside(built: Built) -> None:
    """With ground and outside alike, no sky, no sun and no heat, no store is warmer or colder than they are."""
    steady_c = Linear(built).steady(np.array([built.stands_c, 0.0, 0.0, 0.0, 1.0]))
    assert steady_c == pytest.approx(np.full(len(steady_c), built.stands_c))


@pytest.mark.parametrize("built", EVERY)
def test_heat_that_goes_in_comes_out(built: Built) -> None:
    """In a steady state all power leaves to outside and ground: what the stores' flows to them add up to."""
    linear = Linear(built)
    inputs = np.array([0.0, 0.0, 0.0, built.rated_w, 1.0])
    rise_k = (linear.steady(inputs) - linear.steady(np.array([0.0, 0.0, 0.0, 0.0, 1.0])))[:CORE]
    leaks_w_k = -(linear.a[:CORE, :CORE] * linear.holds_j_k[:CORE, None]).sum(axis=0)
    assert leaks_w_k @ rise_k == pytest.approx(built.rated_w)


def test_one_long_step_is_many_short_ones() -> None:
    """The discrete form is exact: an hour at once ends where sixty minutes do."""
    linear = Linear(constructions.CABLE_SHORT[0])
    inputs = np.array([3.0, 8.0, 200.0, 150.0, 1.0])
    state = start = np.full(len(linear.a), 12.0)
    for _ in range(60):
        a, b = linear.steps(60.0)
        state = a @ state + b @ inputs
    a, b = linear.steps(3600.0)
    assert a @ start + b @ inputs == pytest.approx(state, abs=1e-9)


def test_the_plant_meets_the_protocol_and_counts_its_energy() -> None:
    """Half an hour of heat is counted, probes speak in sixteenths of a kelvin, and soil warms."""
    linear, of = Linear(constructions.CABLE_AMPLE[0]), fortnight(0)
    plant: Plant = LabPlant(linear, of.rows, np.full(len(linear.a), 10.0))
    before = plant.probes()
    for _ in range(30):
        plant.advance(60.0, True)
    after = plant.probes()
    assert plant.energy_j == pytest.approx(linear.built.rated_w * 1800.0)
    assert after["soil"] > before["soil"]
    assert all((after[name] * 16).is_integer() for name in ("soil", "air", "outside"))


def test_the_optimum_keeps_its_word_on_the_plant() -> None:
    """The duty found, run on the plant minute by minute, gives the soil that the programme promised.

    The programme counts shortfall at the ends of half hours, the judge every minute: they differ by a percent or two.
    """
    chosen = one_case()
    linear, rows = chosen.linear, chosen.of.rows[JUDGED.start :]
    a, b = linear.steps(STEP_S)
    on_off = baselines.two_point(linear.built.set_point_c, 0.5)
    state = baselines.drive(linear, chosen.of.rows, chosen.state, on_off, JUDGED.start, chosen.of.seed).state
    soil_c = []
    for minute, row in enumerate(rows):
        power_w = chosen.loose.duty[int(minute * STEP_S // HALF_S)] * linear.built.rated_w
        state = a @ state + b @ np.array([*row, power_w, 1.0])
        soil_c.append(linear.true_row @ state)
    promised_c = chosen.ask.free_c + np.convolve(chosen.ask.rise_k, chosen.loose.duty)[:STEPS]
    assert np.array(soil_c)[29::30] == pytest.approx(promised_c, abs=1e-6)
    whole = np.concatenate([np.full(JUDGED.start, 99.0), soil_c])
    run = judge(whole, np.zeros(len(whole), dtype=bool), linear.built.set_point_c, linear.built.rated_w)
    assert run.d_kh == pytest.approx(chosen.loose.d_kh, rel=0.03)


def test_no_controller_beats_perfect_foresight_but_less_shortfall_costs_more() -> None:
    """On/off needs more energy than the optimum of its own shortfall, and TIGHT costs the optimum more than LOOSE."""
    chosen = one_case()
    assert chosen.on_off.kwh > chosen.loose.kwh
    assert chosen.tight.d_kh < chosen.loose.d_kh
    assert chosen.tight.kwh > chosen.loose.kwh
    assert len(chosen.loose.duty) == STEPS


def test_an_optimum_that_pauses_half_an_hour_long_heat_takes_a_little_more() -> None:
    """Its path, with a minute in thirty-one taken off all heat, is found anew by the network: the same shortfall."""
    chosen = one_case()
    loose, tight = chosen.pauses
    assert loose is not None
    assert tight is not None
    assert 1.0 < loose < tight < 31 / 30
    found = optimum(with_pauses(chosen.ask), chosen.tight.d_kh, chosen.tight.run_out_kh + 0.01)
    paused = found.duty * 30 / 31
    assert paused.max() == pytest.approx(30 / 31)
    assert shortfalls(chosen.ask, paused) == pytest.approx((found.d_kh, found.run_out_kh), abs=1e-6)
    assert found.kwh / chosen.tight.kwh == pytest.approx(tight)


def test_heat_stored_before_the_judged_days_is_charged() -> None:
    """A run from on/off's own beginning costs what it cost; one from soil half a kelvin warmer costs what that saves
    perfect foresight, which is found again by setting it out from there."""
    chosen = one_case()
    assert chosen.fair(chosen.on_off, chosen.begins).kwh == pytest.approx(chosen.on_off.kwh, abs=0.02)
    warmer = chosen.begins + 0.5
    charged_kwh = chosen.fair(chosen.on_off, warmer).kwh - chosen.on_off.kwh
    ask = problem(chosen.linear, warmer, chosen.of.rows)
    saved_kwh = chosen.loose.kwh - optimum(ask, chosen.loose.d_kh, chosen.loose.run_out_kh + 0.1).kwh
    assert charged_kwh == pytest.approx(saved_kwh, abs=1e-3)
    assert charged_kwh > 1.0


def test_what_is_compared_is_fair() -> None:
    """A controller's run is charged with its own beginning: on/off at a warmer set point begins with warmer soil."""
    chosen = one_case()
    built = chosen.linear.built
    switch = baselines.two_point(built.set_point_c + 0.5, BAND_K)
    path = baselines.drive(chosen.linear, chosen.of.rows, chosen.state, switch, JUDGED.start, chosen.of.seed)
    bare = judge(path.true_c, path.on, built.set_point_c, built.rated_w)
    assert controller("on/off", chosen)(0.5).kwh == pytest.approx(chosen.fair(bare, path.state).kwh)
    assert controller("on/off", chosen)(0.5).kwh > bare.kwh + 0.1


def test_only_the_judged_days_count_and_only_below_half_a_kelvin() -> None:
    """Soil 0.5 K below its set point costs nothing, 1.5 K below it one kelvin hour an hour, and not in the warm-up."""
    minutes = 19 * 1440
    on = np.zeros(minutes, dtype=bool)
    true_c = np.full(minutes, 17.5)
    assert judge(true_c, on, 18.0, 100.0).d_kh == 0.0
    true_c[: JUDGED.start] = 0.0
    true_c[JUDGED.start : JUDGED.start + 120] = 16.5
    assert judge(true_c, on, 18.0, 100.0).d_kh == pytest.approx(2.0)


def test_warmth_counts_as_over_only_while_heat_was_given_lately() -> None:
    """Two kelvin too warm by the sun is no fault; with the heater on, every hour counts what exceeds one kelvin."""
    minutes = 19 * 1440
    true_c, on = np.full(minutes, 20.0), np.zeros(minutes, dtype=bool)
    assert judge(true_c, on, 18.0, 100.0).over_kh == 0.0
    on[JUDGED.start : JUDGED.start + 600] = True
    run = judge(true_c, on, 18.0, 100.0)
    assert 10.0 <= run.over_kh <= 13.0
    assert run.most_over_k == 2.0
    assert run.kwh == pytest.approx(1.0)


def test_heat_takes_as_many_closings_as_half_hours_at_least() -> None:
    """Ten hours a day in one piece are one closing, and twenty where none may last longer than half an hour (N09)."""
    minutes = 19 * 1440
    on = np.asarray(np.arange(minutes) % 1440 < 600, dtype=float)
    run = judge(np.full(minutes, 18.0), on, 18.0, 100.0)
    assert run.cycles_a_day == pytest.approx(1.0, abs=0.1)
    assert run.least_a_day == pytest.approx(20.0)


def made_up(d_kh: float, kwh: float, per_k: float = 1.0) -> Run:
    """Return a run whose shortfall would grow by e for each kelvin, over `per_k`, that all its soil were colder."""
    return Run(d_kh, tuple(d_kh * math.exp(per_k * shift_k) for shift_k in SHIFTS_K), 0.0, kwh, 0.0, 0.0, 1.0, 1.0)


def test_biases_are_sought_until_runs_lie_round_both_shortfalls() -> None:
    """A controller whose shortfall falls with its bias is bracketed, and its energy read off between the runs."""
    found: Curve = curve(lambda bias_k: made_up(40.0 * math.exp(-bias_k), 50.0 + 4.0 * bias_k), (40.0, 10.0), 6)
    assert found.reaches(40.0)
    assert found.reaches(10.0)
    assert found.kwh(10.0) == pytest.approx(50.0 + 4.0 * np.log(4.0), rel=0.002)


def test_the_second_run_lies_beyond_the_target_that_the_first_one_s_soil_tells_the_way_to() -> None:
    """Be it on the colder side or on the warmer one; and with three or four runs one lies near each target."""
    for targets in ((80.0, 100.0), (20.0, 8.0)):
        found = curve(lambda bias_k: made_up(40.0 * math.exp(-bias_k), 50.0 + 4.0 * bias_k), targets, 3)
        second_kh = found.runs[1][1].d_kh
        assert second_kh > targets[1] if targets[1] > 40.0 else second_kh < targets[1]
        assert len(found.runs) in (3, 4)
        assert all(min(abs(run.d_kh - target) for _, run in found.runs) < 0.3 * target for target in targets)


def test_a_run_just_short_of_a_target_is_followed_by_one_beyond_it() -> None:
    """Where the last hundredths of a kelvin count much: else the runs would end on one side of a target."""
    found = curve(lambda bias_k: made_up(13.1 - 60.0 * bias_k, 50.0, 9.0), (13.6, 13.4), 3)
    assert found.reaches(13.6)
    assert max(run.d_kh for _, run in found.runs) > 13.6
    assert len(found.runs) == 2


def test_three_runs_do_where_the_first_lies_between_both_shortfalls() -> None:
    """The second goes beyond one, the third beyond the other: none is spent on nearing what will do already."""
    found = curve(lambda bias_k: made_up(7.4 * math.exp(-7.0 * (bias_k + 0.5)), 50.0, 7.0), (8.9, 5.9), 3, -0.5)
    assert len(found.runs) == 3
    assert found.reaches(8.9)
    assert found.reaches(5.9)


def test_ours_is_tried_first_where_its_shortfall_begins(monkeypatch: pytest.MonkeyPatch) -> None:
    """Half a kelvin below the set point, which counts as none; others at the set point itself."""
    tried: list[float] = []

    def runs_of(_which: str, _case: Case, _eyes: Eyes) -> Controller:
        return lambda bias_k: tried.append(bias_k) or made_up(9.8, 50.0)

    monkeypatch.setattr("tests.bench.control.rows.controller", runs_of)
    firsts = []
    for which in ("ours", "on/off"):
        tried.clear()
        score("cable-ample", 0, which, 1)
        firsts.append(tried[0])
    assert firsts == [-0.5, 0.0]


def test_energy_is_carried_on_in_a_straight_line_to_a_target_that_a_run_lies_at() -> None:
    """Over the root of the shortfall, on both ends, and no further than three hundredths; then it stays."""
    line = Curve(tuple((bias, made_up((9.0 - bias) ** 2, 50.0 + bias)) for bias in (0.0, 1.0, 3.0)))
    assert line.kwh(82.81) == pytest.approx(50.0 - 0.1)
    assert line.kwh(35.4025) == pytest.approx(53.0 + 0.05)
    assert line.reaches(82.81)
    assert not line.reaches(84.64)
    assert line.kwh(95.0) == line.kwh(81.0 * 1.03)


def test_more_runs_are_made_where_no_run_lies_near_a_target() -> None:
    """With three allowed, one whose soil promised far more takes seven; one whose runs lie near takes three."""
    far = curve(lambda bias_k: made_up(400.0 * math.exp(-bias_k), 50.0 + 4.0 * bias_k, 20.0), (1.0, 0.5), 3)
    near = curve(lambda bias_k: made_up(40.0 * math.exp(-bias_k), 50.0), (33.0, 22.0), 3)
    assert len(far.runs) == 7
    assert len(near.runs) == 3


def test_a_run_tells_what_its_shortfall_would_be_were_all_soil_colder_or_warmer() -> None:
    """Soil just tolerated falls short by as much as it is made colder, all fourteen days long."""
    minutes = 19 * 1440
    run = judge(np.full(minutes, 17.5), np.zeros(minutes, dtype=bool), 18.0, 100.0)
    assert run.colder_kh == pytest.approx([14 * 24 * max(shift_k, 0.0) for shift_k in SHIFTS_K])


def scored(row: str, controller: str, over_kh: float) -> Score:
    """Return a score that holds every target of energy."""
    return Score(row, controller, 0, 1.0, 1.0, over_kh, 10.0, 9.0, 3, True, (1.0, 1.0))


@pytest.mark.parametrize(
    ("row", "judged", "most_kh"),
    [("cable-short", "ours", 30.0), ("cable-ample", "ours", 0.5), ("air-ample", UNPLANNED, 6.0)],
)
def test_needless_heat_is_held_against_on_off_of_the_same_run(row: str, judged: str, most_kh: float) -> None:
    """As much as on/off's 30 K h, none, or a fifth; just over it is missed; air heaters are judged without the plan."""
    others = [scored(row, "on/off", 30.0), scored(row, "ours", 0.0 if judged == UNPLANNED else most_kh)]
    assert most_over_kh(others, row) == pytest.approx(most_kh)
    assert not missed([*others, scored(row, UNPLANNED, most_kh)], row)
    worse = [each for each in others if each.controller != judged] + [scored(row, judged, most_kh + 0.01)]
    assert missed(worse, row)


def test_forecasts_err_more_the_further_they_look() -> None:
    """Over many issues the spread is about 1.5 K two days ahead and little at first; a wrong one is 5 K off."""
    of = fortnight(1)
    perfect, usual, wrong = (FORECASTS[name](of) for name in ("perfect", "usual", "5 K wrong"))
    assert perfect is not None
    assert usual is not None
    assert wrong is not None
    issued = [of.start_ms + number * 6 * 3_600_000 for number in range(60)]
    misses = np.array(
        [[a.outside_c - b.outside_c for a, b in zip(usual(at), perfect(at), strict=True)][:48] for at in issued]
    )
    assert 1.0 < misses[:, -1].std() < 2.0
    assert misses[:, 0].std() < 0.4
    assert wrong(issued[0])[0].outside_c - usual(issued[0])[0].outside_c == pytest.approx(5.0)


def test_a_two_point_switch_has_its_band() -> None:
    """It closes half a band below, opens half a band above, and keeps what it did between."""
    switch = baselines.two_point(18.0, 0.5)
    assert [switch(soil_c, 0.0) for soil_c in (18.0, 17.75, 18.2, 18.25, 17.8)] == [False, True, True, False, False]


def test_the_soil_probe_lags_and_loads_nothing() -> None:
    """Its column touches no other store, and in a steady state it reads the soil at its place."""
    linear = Linear(constructions.AIR_AMPLE[0])
    assert not np.delete(linear.a[:, SOIL_PROBE], SOIL_PROBE).any()
    assert not linear.b[SOIL_PROBE, [OUTSIDE, POWER, ONE]].any()
    steady_c = linear.steady(np.array([5.0, 5.0, 100.0, 200.0, 1.0]))
    assert steady_c[SOIL_PROBE] == pytest.approx(linear.true_row @ steady_c)


def test_an_eye_that_is_shut_says_nothing() -> None:
    """Without outside probe and light neither is told; of two soil probes one falls silent on the second judged day."""
    linear, of = Linear(constructions.CABLE_AMPLE[0]), fortnight(0)
    start = np.full(len(linear.a), 10.0)
    blind = Seen(LabPlant(linear, of.rows, start, light=False), Eyes(light=False, outside=False))
    assert set(blind.probes()) == {"soil", "air"}
    plant = LabPlant(linear, of.rows, start)
    seen = Seen(plant, EYES["one soil probe of two"])
    assert {"soil", "soil-two"} <= set(seen.probes())
    plant.at_s = LOST_AFTER_S + 1.0
    assert "soil" not in seen.probes()
    settings = constructions.settings_of(linear.built, 18.0, of.place, EYES["one soil probe of two"])
    assert {each.name for each in settings.enclosure[0].probe} == set(seen.probes()) | {"soil"}


def test_a_night_s_forecast_is_off_by_a_kelvin_and_a_half_and_the_next_one_the_other_way() -> None:
    """The same for every hour of an issue."""
    of = fortnight(1)
    known, perfect = off_by_the_night(of), FORECASTS["perfect"](of)
    assert perfect is not None
    offs = []
    for day in range(4):
        at_ms = of.start_ms + day * 86_400_000
        misses = [a.outside_c - b.outside_c for a, b in zip(known(at_ms), perfect(at_ms), strict=True)]
        assert np.ptp(misses) < 1e-9
        offs.append(misses[0])
    assert offs == pytest.approx([-1.5, 1.5, -1.5, 1.5])


def _noted(job: tuple[str, int]) -> int:
    """Write a line for every time it is asked."""
    with Path(job[0]).open("a", encoding="utf-8") as file:
        file.write(f"{job[1]}\n")
    return 10 * job[1]


def test_a_run_that_broke_off_goes_on_where_it_was_and_other_code_begins_anew(tmp_path: Path) -> None:
    """Jobs whose figures are kept are not worked out again; figures of other code are not taken for ours."""
    noted, kept = str(tmp_path / "asked"), Kept(tmp_path / "kept", "one")
    assert all_of(_noted, [(noted, 1)], kept) == [10]
    assert sorted(all_of(_noted, [(noted, 1), (noted, 2)], kept)) == [10, 20]
    assert sorted(Path(noted).read_text(encoding="utf-8").split()) == ["1", "2"]
    assert all_of(_noted, [(noted, 1)], Kept(tmp_path / "kept", "other")) == [10]
    assert sorted(Path(noted).read_text(encoding="utf-8").split()) == ["1", "1", "2"]
    assert len(code_now()) == 16


def test_without_options_every_row_and_controller_is_compared_and_ours_alone_where_it_is_judged() -> None:
    """What the command takes by default are the names it knows; only air heaters are run without the plan too."""
    asked = _parser().parse_args([])
    assert (asked.rows.split(","), asked.controllers.split(",")) == (list(ROWS), list(CONTROLLERS))
    assert [each for each, _ in _runs("air-ample", CONTROLLERS, list(ROWS))] == list(CONTROLLERS)
    assert UNPLANNED not in [each for each, _ in _runs("cable-short", CONTROLLERS, list(ROWS))]


def test_who_sees_no_light_is_run_once_for_rows_of_the_same_plants() -> None:
    """And told in both: in the row without light they are what they were with it; run there, where it stands alone."""
    names = ["cable-short", "cable-no-light"]
    assert [each for each, _ in _runs("cable-no-light", CONTROLLERS, names)] == ["ours"]
    assert "on/off" in [each for each, _ in _runs("cable-no-light", CONTROLLERS, names[1:])]
    told = _told_again([scored("cable-short", "on/off", 3.0), scored("cable-short", "ours", 2.0)], names)
    assert told == [scored("cable-no-light", "on/off", 3.0)]


@pytest.mark.parametrize("weather", ["1,2", "hot,mild"])
def test_a_fortnight_that_nobody_knows_is_refused_with_those_that_exist(weather: str) -> None:
    """A seed is no name: taken for one, it would be the same fortnight each time. What is known is told."""
    unknown = weather.removeprefix("hot,").replace(",", ", ")
    with pytest.raises(SystemExit, match=f"^unknown: {unknown}; choose from hot, freezing, newark$"):
        main(["--weather", weather])
    with pytest.raises(KeyError, match="no fortnight '2'; there are hot, freezing, newark"):
        fortnight("2")


@pytest.mark.parametrize(("instead", "asked_of"), [("--eyes", "losing.losing"), ("--nights", "nights.told")])
def test_eyes_and_nights_are_asked_for_the_fortnights_and_rows_that_are_named(
    instead: str, asked_of: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Seeds where no fortnight is named, and a bound that is missed is the exit status."""
    asked: list[tuple[object, ...]] = []

    def noted(*what: object) -> tuple[list[str], bool]:
        asked.append(what)
        return [], False

    monkeypatch.setattr(f"tests.bench.control.section.{asked_of}", noted)
    assert main([instead, "--weather", "hot,newark", "--rows", "air-ample"]) == 1
    assert main([instead, "--seeds", "2", "--rows", "air-ample"]) == 1
    assert [each[:2] for each in asked] == [(["air-ample"], ["hot", "newark"]), (["air-ample"], [0, 1])]


@pytest.mark.parametrize(
    ("asked", "told"),
    [
        (["--eyes", "--forecast", "none"], "^--eyes brings its own controllers and forecasts; leave out --forecast"),
        (["--nights", "--controllers", "ours"], "^--nights brings its own controllers and forecasts; leave out"),
        (["--eyes", "--rows", "air-short"], "^--eyes compares in cable-ample, air-ample, not in air-short; give one"),
    ],
)
def test_what_eyes_and_nights_would_pass_over_is_refused(asked: list[str], told: str) -> None:
    """By name, with what to do instead."""
    with pytest.raises(SystemExit, match=told):
        main(asked)
