"""What a proof test's heat pulse makes of the window in which heat must show: a shorter one, never a longer."""

from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from controller.enclosure_settings import Enclosure
from controller.expected import warmed_k
from controller.plan import Plan, plan_for
from controller.plant.from_settings import construction_of
from controller.proving import criteria
from controller.proving.account import Account, Outcome, Result, entry_of
from controller.proving.commissioned import Answer, answer_in, answers_in, judged_by, last_answer, steepest_k_per_min
from controller.store import journal
from controller.store.connection import open_writer
from controller.store.journal import Entry
from controller.store.migrations import JOURNAL
from tests.core_site import settings_of
from tests.heat_site import AIR, CABLE, DEEP, FAN, GLASS, SOIL

RATED_A = 600.0 / 230.0
USUAL_S = 10_500.0


def site(*probes: dict[str, Any], heater: dict[str, Any] = CABLE, **more: Any) -> tuple[Plan, Enclosure]:
    """Return an enclosure and its plan by geometry alone."""
    settings = settings_of(*probes, heater=heater, **more)
    return plan_for(settings, settings.enclosure[0]), settings.enclosure[0]


def window_s(lag_s: float, *probes: dict[str, Any], rated_a: float | None = RATED_A, **more: Any) -> float:
    """Return the window of an enclosure whose pulse was answered after `lag_s`."""
    plan, chosen = site(*(probes or (SOIL, AIR)), **more)
    return judged_by(plan, chosen, Answer(lag_s, rated_a)).expected.window_s


def test_a_measured_answer_shortens_the_window_to_twice_its_lag() -> None:
    """P14: 3300 s measured, 110 min at the most; and nothing else of the plan is touched."""
    assert window_s(3300.0) == window_s(3300.0, rated_a=0.97 * RATED_A) == pytest.approx(6600.0)
    plan, chosen = site(SOIL, AIR)
    judged = judged_by(plan, chosen, Answer(3300.0, RATED_A))
    assert replace(judged, expected=plan.expected) == plan
    assert replace(judged.expected, window_s=USUAL_S) == plan.expected


@pytest.mark.parametrize("lag_s", [5250.0, 5300.0, 60_000.0])
def test_a_late_answer_makes_no_window_longer(lag_s: float) -> None:
    """At and over half the usual one it stays the usual one."""
    assert window_s(lag_s) == USUAL_S


def test_an_answer_sooner_than_heat_can_come_is_the_suns() -> None:
    """A second or an instant: as soon as physics allow, and never under an hour."""
    assert window_s(1.0) == window_s(0.001)
    assert window_s(1.0) >= 3600.0
    assert window_s(1.0, rated_a=3000.0 / 230.0, heater={**CABLE, "rated_w": 3000.0}) == 3600.0


def test_the_probe_that_answers_last_is_waited_for() -> None:
    """The pulse was measured at the nearest; another one further away takes its time."""
    assert window_s(2500.0, SOIL, {**SOIL, "name": "low", "depth_m": 0.20}, AIR) > window_s(2500.0) == 5000.0


@pytest.mark.parametrize(("depths_m", "away_m"), [((0.1, 0.2), (0.04, 0.06)), ((0.09, 0.13), (0.01, 0.05))])
def test_the_furthest_is_waited_for_as_its_distance_says(
    depths_m: tuple[float, float], away_m: tuple[float, float]
) -> None:
    """A cable at 14 cm: what was measured at the nearest is late, and so will the furthest be, in the same measure."""
    probes = [{**SOIL, "name": f"soil-{each * 100:.0f}", "depth_m": each} for each in depths_m]
    _, chosen = site(*probes, AIR)

    def minutes(away: float) -> int:
        looks = range(1, 175)
        return next(each for each in looks if warmed_k(construction_of(chosen), away, each * 60.0) >= 0.3)

    nearest, furthest = (minutes(each) for each in away_m)
    late = 1.1
    expected_s = 2.0 * late * furthest * 60.0
    assert 3600.0 < expected_s < USUAL_S
    assert window_s(late * nearest * 60.0, *probes, AIR) == pytest.approx(expected_s)
    assert window_s(1.0, *probes, AIR) == pytest.approx(max(3600.0, 2.0 * furthest * 60.0))


@pytest.mark.parametrize(
    ("rated_a", "more"),
    [
        (None, {}),
        (RATED_A / 2, {}),
        (300.0 / 230.0, {"heater": {**CABLE, "rated_w": 300.0}}),
        (1500.0 / 230.0, {"heater": FAN, "shape": GLASS}),
    ],
    ids=["no-current-on-record", "another-heater-since", "a-weak-cable", "an-air-heater"],
)
def test_where_the_pulse_says_nothing_sure_geometry_stands(rated_a: float | None, more: dict[str, Any]) -> None:
    """Whatever the lag was."""
    plan, chosen = site(SOIL, AIR, **more)
    assert judged_by(plan, chosen, Answer(2500.0, rated_a)) == plan
    assert judged_by(plan, chosen, None) == plan


@pytest.mark.parametrize(
    ("slope", "limit"),
    [
        (1.5, 6.0),
        (0.3, 3.6),
        (1.2345, 5.47),
        (2.66, 8.32),
        (2.665, None),
        (7.0, None),
        (None, None),
        (0.0, None),
        (-0.5, None),
    ],
)
def test_an_air_heaters_pulse_makes_the_limit_of_rise_lower_never_higher(
    slope: float | None, limit: float | None
) -> None:
    """E04: twice its steepest minute and 3 K; where that is 8.33 K or more, or not known, the fixed limit stands."""
    plan, chosen = site(SOIL, AIR, heater=FAN, shape=GLASS)
    judged = judged_by(plan, chosen, Answer(80.0, 1500.0 / 230.0, slope))
    assert judged.steepest_k_per_min == limit
    assert replace(judged, steepest_k_per_min=None) == plan


@pytest.mark.parametrize(
    ("answer", "heater"),
    [(None, FAN), (Answer(80.0, None, 1.5), FAN), (Answer(80.0, 3.0, 1.5), FAN), (Answer(2500.0, RATED_A, 1.5), CABLE)],
    ids=["never-proved", "no-current-on-record", "another-heater-since", "a-cable"],
)
def test_no_other_pulse_lowers_the_limit_of_rise(answer: Answer | None, heater: dict[str, Any]) -> None:
    """Of a cable the air tells nothing: the sun warms it as it pleases."""
    plan, chosen = site(SOIL, AIR, heater=heater, shape=GLASS)
    assert judged_by(plan, chosen, answer).steepest_k_per_min is None
    assert steepest_k_per_min(chosen, answer) is None


def test_two_depths_by_geometry_alone_are_as_they_were() -> None:
    """No proof test, no change."""
    plan, chosen = site(SOIL, DEEP, AIR)
    assert judged_by(plan, chosen, None) is plan


def account(at_ms: int, lag_s: float, result: Result = Result.PASSED, rated_a: float = RATED_A) -> Entry:
    """Return a journal's entry of a proof test that took the current and the pulse."""
    found = criteria.current(rated_a, 0.0, rated_a), criteria.answered("soil", 0.31, lag_s, None)
    steps = tuple(
        Outcome(name, "", "", how, each.said, each.figures)
        for name, how, each in zip(("current", "heat-pulse"), (Result.PASSED, result), found, strict=True)
    )
    return entry_of(Account("larch", "keeper", "a test", at_ms, 60.0, False, False, steps), 1)


@pytest.mark.parametrize(
    ("lag_s", "result", "known"),
    [(0.5, Result.PASSED, True), (0.0, Result.PASSED, False), (-1.0, Result.PASSED, False),
     (600.0, Result.SKIPPED, False), (600.0, Result.FAILED, False), (600.0, Result.ABORTED, False)],
)  # fmt: skip
def test_only_a_pulse_that_passed_and_took_time_is_an_answer(lag_s: float, result: Result, known: bool) -> None:
    """Whatever figures the step has; without a lag there is none."""
    step = Outcome("heat-pulse", "", "", result, "", {"lag_s": lag_s, "slope_k_per_min": 1.5})
    found = answer_in(Account("larch", "keeper", "a test", 0, 60.0, False, False, (step,)))
    assert found == (Answer(lag_s, None, 1.5) if known else None)
    bare = replace(step, figures={})
    assert answer_in(Account("larch", "keeper", "a test", 0, 60.0, False, False, (bare,))) is None


@pytest.mark.parametrize(("rated_a", "counts"), [(21.0, True), (19.0, True), (21.01, False), (18.99, False)])
def test_a_heater_whose_current_has_changed_by_a_twentieth_is_still_the_same(rated_a: float, counts: bool) -> None:
    """5 % of 20 A is 1 A."""
    heater = {**CABLE, "rated_w": 4600.0}
    assert (window_s(1.0, rated_a=rated_a, heater=heater) < USUAL_S) is counts


def test_the_newest_pulse_that_passed_counts_and_for_a_replay_the_newest_of_then(tmp_path: Path) -> None:
    """A failed one measured nothing; another enclosure's is not ours; without a journal there is none."""
    assert answers_in(tmp_path, ("larch",)) == {}
    with closing(open_writer(tmp_path / "journal.db", JOURNAL)) as connection:
        journal.append(connection, [account(1000, 2000.0), account(2000, 3000.0), account(3000, 9.0, Result.FAILED)])
        assert last_answer(connection, "larch", 2000) == Answer(2000.0, round(RATED_A, 2))
        assert last_answer(connection, "larch", 1000) is None
    assert answers_in(tmp_path, ("larch", "elder")) == {"larch": Answer(3000.0, round(RATED_A, 2)), "elder": None}
