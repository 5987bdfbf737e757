"""One reading judged: possible, about now, compared with the trips, then believed or not."""

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.plausibility import judge
from controller.probe import Quantity, Reading
from controller.probe_state import Judged, ProbeState, Watch, fresh
from controller.status import Grade

WALL_MS = 1_772_400_000_000
SOIL = Watch("soil", Quantity.SOIL, -0.1, 10.0, 35.0, 40.0, 45.0)
AIR = Watch("air", Quantity.AIR, 0.1, 10.0, 35.0, 57.0, None)
NEVER = float("-inf")


def reading(at_s: float, value: float, stamp: float | None = 0.0, source: str = "", retained: bool = False) -> Reading:
    """Return a reading received at `at_s`, stamped `stamp` [s] later than that by the probe."""
    arrived_ms = WALL_MS + round(at_s * 1000)
    taken_ms = None if stamp is None else arrived_ms + round(stamp * 1000)
    return Reading("larch", "soil", value, taken_ms, arrived_ms, at_s, source, retained)


def hear(watch: Watch, *values: float, every_s: float = 10.0, stamp: float | None = 0.0) -> list[Judged]:
    """Judge values one after another."""
    state, verdicts = ProbeState(), []
    for number, value in enumerate(values):
        verdicts.append(judge(watch, state, reading(number * every_s, value, stamp), NEVER))
        state = verdicts[-1].state
    return verdicts


def test_an_older_cool_sample_told_again_does_not_end_what_is_over_its_limit() -> None:
    """A broker tells the sample of 8 s ago once more: the hot one after it is still the newest. A newer cool one ends
    it, and so does one without a stamp.
    """
    hot = judge(SOIL, hear(SOIL, 20.0)[0].state, reading(10.0, 41.0), NEVER).state
    again = judge(SOIL, hot, reading(12.0, 20.0, stamp=-8.0), NEVER).state
    assert (again.over, again.over_value, again.over_count) == (True, 41.0, 1)
    assert not judge(SOIL, again, reading(20.0, 20.0), NEVER).state.over
    assert not judge(SOIL, again, reading(20.0, 20.0, stamp=None), NEVER).state.over
    older_hot = judge(SOIL, again, reading(13.0, 42.0, stamp=-9.0), NEVER).state
    assert judge(SOIL, older_hot, reading(14.0, 20.0, stamp=-6.0), NEVER).state.over


@pytest.mark.parametrize("ahead_ms", [-9990, 9990, 60_000])
def test_what_bears_no_stamp_is_spaced_by_our_own_clock_however_it_was_filed(ahead_ms: int) -> None:
    """Filed behind a burst, or by a clock that was set back: ten seconds lay between them all the same."""
    first = judge(SOIL, ProbeState(), reading(100.0, 15.0, None), NEVER)
    filed = replace(reading(110.0, 15.1, None), arrived_ms=WALL_MS + 110_000 - ahead_ms)
    assert judge(SOIL, first.state, filed, NEVER).grade is Grade.GOOD
    hurried = replace(filed, arrived_s=102.0)
    assert judge(SOIL, first.state, hurried, NEVER).reason == "came too soon after the one before"


@pytest.mark.parametrize(("after_s", "latched"), [((0.0, 4.0), False), ((10.0,), True), ((0.0, 4.0, 8.0), True)])
def test_one_hot_sample_told_again_is_no_second_one(after_s: tuple[float, ...], latched: bool) -> None:
    """P22 B09: a bridge tells it at once and after 4 s; heat is off, and nothing latches. The next sample latches, and
    so does the third of one stamp: then it is the clock that stands.
    """
    calm = hear(AIR, *([20.0] * 10))[-1].state
    state = judge(AIR, calm, reading(100.0, 60.0), NEVER).state
    assert (state.over, state.over_count, state.rise_count) == (True, 1, 1)
    for later_s in after_s:
        stamp_s = 0.0 if later_s == 10.0 else -later_s
        state = judge(AIR, state, reading(100.0 + later_s, 60.0, stamp_s), NEVER).state
        assert state.over
    assert (state.over_count >= 2, state.rise_count >= 2, state.compared_s != 100.0) == (latched, latched, latched)


@pytest.mark.parametrize(
    ("quantity", "low", "high"),
    [
        (Quantity.SOIL, -40.0, 125.0),
        (Quantity.AIR, -40.0, 125.0),
        (Quantity.OUTSIDE, -40.0, 125.0),
        (Quantity.HEATER_SURFACE, -40.0, 125.0),
        (Quantity.HUMIDITY, 0.0, 100.0),
        (Quantity.LIGHT, -10.0, 2000.0),
        (Quantity.CURRENT, 0.0, 100.0),
        (Quantity.CONTACT, 0.0, 1.0),
    ],
)
def test_what_cannot_be_is_refused(quantity: Quantity, low: float, high: float) -> None:
    """At the bounds it is a measurement, just outside none, and NaN and infinities never."""
    watch = Watch("p", quantity, None, 10.0, 35.0, None, None)
    for value in (low, high):
        assert hear(watch, value)[0].grade is not Grade.REFUSED
    for value in (low - 0.01, high + 0.01, float("nan"), float("inf"), float("-inf"), -1e300):
        (verdict,) = hear(watch, value)
        assert verdict.grade is Grade.REFUSED
        assert verdict.state.value is None


@pytest.mark.parametrize(("value", "grade"), [(84.9, Grade.GOOD), (85.0, Grade.GOOD), (85.01, Grade.DOUBTED)])
def test_above_the_working_range_a_temperature_is_doubted_but_counted(value: float, grade: Grade) -> None:
    """Control may not use it; the trips see it all the same."""
    (verdict,) = hear(SOIL, value)
    assert verdict.grade is grade
    assert verdict.state.over_count == 2


@pytest.mark.parametrize(
    ("values", "counts", "over"),
    [
        ((39.99, 40.0, 40.0, 39.99), (0, 1, 2, 2), False),
        ((44.99, 45.0), (1, 2), True),
        ((45.0, 45.0), (2, 3), True),
        ((40.0, -127.0, 40.0), (1, 1, 2), True),
        ((40.0, 126.0, 40.0), (1, 1, 2), True),
        ((40.0, 39.0, 39.0, 40.0), (1, 1, 1, 2), True),
    ],
)
def test_samples_over_the_limit_are_counted(values: tuple[float, ...], counts: tuple[int, ...], over: bool) -> None:
    """Neither a cool sample nor a sentinel between excuses the hot ones; whether the last was hot is kept apart."""
    verdicts = hear(SOIL, *values)
    assert tuple(each.state.over_count for each in verdicts) == counts
    assert verdicts[-1].state.over is over


@pytest.mark.parametrize(("apart_s", "count"), [(10.0, 2), (3600.0, 2), (3600.1, 1)])
def test_hot_samples_more_than_an_hour_apart_are_two_firsts(apart_s: float, count: int) -> None:
    """A limit is no thermostat: within an hour the second counts as second; just at and over."""
    assert hear(SOIL, 40.0, 40.0, every_s=apart_s)[1].state.over_count == count


@given(
    st.lists(st.floats(-60.0, 140.0), max_size=30), st.floats(40.0, 125.0), st.sampled_from([None, 0.0, 30.0, -30.0])
)
@settings(deadline=None)
def test_nothing_hides_a_hot_reading_from_the_trip(before: list[float], hot_c: float, stamp: float | None) -> None:
    """Precedence: whatever was heard before, steps and quarantine and floods included, a hot sample counts."""
    state = ProbeState()
    for number, value in enumerate(before):
        state = judge(SOIL, state, reading(number * 2.5, value, stamp), NEVER).state
    after = judge(SOIL, state, reading(len(before) * 2.5, hot_c, stamp), NEVER).state
    assert after.over
    assert after.over_count >= 1
    assert after.over_value == hot_c


@pytest.mark.parametrize(
    ("stamp", "grade", "ours"),
    [
        (0.0, Grade.GOOD, True),
        (5.0, Grade.GOOD, False),
        (5.01, Grade.GOOD, True),
        (60.0, Grade.GOOD, True),
        (60.01, Grade.REFUSED, False),
        (-35.0, Grade.GOOD, False),
        (-35.01, Grade.HISTORY, False),
        (None, Grade.GOOD, True),
    ],
)
def test_the_probes_stamp_is_bounded(stamp: float | None, grade: Grade, ours: bool) -> None:
    """T04 T05: marked from 5 s ahead, refused from 60 s, history when older than stale; just at and over each."""
    verdict = judge(SOIL, ProbeState(), reading(100.0, 10.0, stamp), NEVER)
    assert verdict.grade is grade
    assert (verdict.taken_ms == WALL_MS + 100_000) is ours


def test_a_retained_message_is_history() -> None:
    """Whatever it says, hot included: it tells nothing of now."""
    verdict = judge(SOIL, ProbeState(), reading(0.0, 50.0, retained=True), NEVER)
    assert (verdict.grade, verdict.state.over_count, verdict.state.value) == (Grade.HISTORY, 0, None)


def test_a_probe_whose_clock_creeps_is_still_believed() -> None:
    """Half a percent slow for a day: each message is as young as the one before."""
    state = ProbeState()
    for number in range(8640):
        verdict = judge(SOIL, state, reading(number * 10.0, 10.0, -0.05 * number), NEVER)
        state = verdict.state
        assert verdict.grade is Grade.GOOD


def test_a_growing_delay_is_seen_though_the_clocks_differ() -> None:
    """T05: a probe 1 h slow in its clock is believed after our wall clock jumped; a minute's delay is then history."""
    state = hear(SOIL, 10.0, 10.0)[-1].state
    jumped = replace(reading(20.0, 10.0), arrived_ms=WALL_MS + 3_620_000)
    verdict = judge(SOIL, state, jumped, NEVER)
    assert verdict.grade is Grade.GOOD
    late = replace(reading(90.0, 10.0), arrived_ms=WALL_MS + 3_690_000, taken_ms=WALL_MS + 30_000)
    assert judge(SOIL, verdict.state, late, NEVER).grade is Grade.HISTORY


@pytest.mark.parametrize(("spacing_s", "refused"), [(0.0, True), (2.49, True), (2.5, False), (10.0, False)])
def test_what_comes_too_soon_is_refused(spacing_s: float, refused: bool) -> None:
    """P27: a quarter of the period is the least spacing."""
    assert (hear(SOIL, 10.0, 10.0, every_s=spacing_s)[1].grade is Grade.REFUSED) is refused


@pytest.mark.parametrize(
    ("move_k", "every_s", "grade"),
    [
        (1.5, 10.0, Grade.GOOD),
        (-1.5, 10.0, Grade.GOOD),
        (1.51, 10.0, Grade.DOUBTED),
        (-1.51, 10.0, Grade.DOUBTED),
        (1.51, 90.0, Grade.DOUBTED),
        (2.9, 180.0, Grade.GOOD),
        (3.1, 180.0, Grade.DOUBTED),
    ],
)
def test_soil_that_leaps_is_doubted(move_k: float, every_s: float, grade: Grade) -> None:
    """One value more than 1.5 K from the mean of a minute ago; after longer silence it may have moved in proportion."""
    assert hear(SOIL, 10.0, 10.0 + move_k, every_s=every_s)[1].grade is grade


@pytest.mark.parametrize(("rate_k_per_min", "doubted"), [(0.95, False), (1.05, True), (-0.95, False), (-1.05, True)])
def test_soil_that_drifts_is_doubted(rate_k_per_min: float, doubted: bool) -> None:
    """More than 1 K within 60 s is no soil, however small each move (hazard E10)."""
    last = hear(SOIL, *(10.0 + rate_k_per_min * number / 6 for number in range(20)))[-1]
    assert (last.grade is Grade.DOUBTED) is doubted


def test_air_may_step() -> None:
    """E08: a door opened drops air by 10 K, which is no fault."""
    assert hear(AIR, 20.0, 10.0)[1].grade is Grade.GOOD


def test_one_step_waits_and_two_are_quarantined() -> None:
    """The first is looked at again; the second in a row costs half an hour."""
    spike = hear(SOIL, 10.0, 14.0, 10.0)
    assert [each.grade for each in spike] == [Grade.GOOD, Grade.DOUBTED, Grade.GOOD]
    moved = hear(SOIL, 10.0, 14.0, 14.0)[-1].state
    assert moved.quarantined_until_s == 20.0 + 1800.0


@pytest.mark.parametrize(("at_s", "is_fresh"), [(35.0, True), (35.01, False), (1e6, False)])
def test_a_value_is_fresh_for_three_periods_and_5_s(at_s: float, is_fresh: bool) -> None:
    """Just at and over."""
    assert fresh(SOIL, hear(SOIL, 10.0)[0].state, at_s, NEVER) is is_fresh


def test_a_value_from_before_a_gap_is_not_fresh() -> None:
    """C05: only what was heard since counts."""
    state = hear(SOIL, 10.0)[0].state
    assert fresh(SOIL, state, 5.0, 0.0)
    assert not fresh(SOIL, state, 5.0, 0.01)
    assert not fresh(SOIL, ProbeState(), 0.0, NEVER)


def test_an_unstamped_message_right_after_a_reconnection_may_have_waited() -> None:
    """B02: it is history until the probe has paused half its period since the session began."""
    state = ProbeState()
    for at_s, grade in ((100.1, Grade.HISTORY), (100.2, Grade.HISTORY), (105.1, Grade.HISTORY), (110.2, Grade.GOOD)):
        verdict = judge(SOIL, state, reading(at_s, 10.0, None), 100.0)
        assert verdict.grade is grade
        state = verdict.state
    assert judge(SOIL, ProbeState(), reading(100.1, 10.0, 0.0), 100.0).grade is Grade.GOOD


def test_a_hot_message_that_may_have_waited_is_still_compared() -> None:
    """Doubt about age never hides heat."""
    assert judge(SOIL, ProbeState(), reading(100.1, 50.0, None), 100.0).state.over_count == 2


@pytest.mark.parametrize("period_s", [1.0, 2.0, 5.0, 10.0, 30.0, 60.0])
@pytest.mark.parametrize(("rate", "rises"), [(9.0, True), (8.0, False), (-20.0, False)])
def test_a_rise_is_seen_at_any_period(period_s: float, rate: float, rises: bool) -> None:
    """8.33 K/min over a minute or more; a fast probe's own values must not crowd the minute out."""
    watch = replace(AIR, period_s=period_s, stale_after_s=3 * period_s + 5)
    state = ProbeState()
    for number in range(round(240 / period_s)):
        value = 20.0 + rate * number * period_s / 60
        state = judge(watch, state, replace(reading(number * period_s, value), probe="air"), NEVER).state
    assert state.rise_k_per_min == pytest.approx(rate)
    assert (state.rise_count >= 2) is rises


@given(st.lists(st.tuples(st.floats(0.0, 100.0), st.floats(-60.0, 140.0), st.floats(-2000.0, 2000.0)), max_size=40))
@settings(deadline=None)
def test_control_only_ever_holds_a_value_in_the_working_range(heard: list[tuple[float, float, float]]) -> None:
    """Whatever comes, what control may use is finite and from -40 to 85 Cel; the state given is not touched."""
    state, at_s = ProbeState(), 0.0
    for wait_s, value, stamp in heard:
        at_s += wait_s
        kept = replace(state)
        verdict = judge(SOIL, state, reading(at_s, value, stamp), NEVER)
        assert state == kept
        state = verdict.state
        assert state.value is None or -40.0 <= state.value <= 85.0
        assert (verdict.grade is Grade.GOOD) == (verdict.reason == "")


def named(at_s: float, source: str) -> Reading:
    """Return a reading that says who sends it."""
    return reading(at_s, 10.0, source=source)


@pytest.mark.parametrize(
    ("first", "second", "apart_s", "grade"),
    [
        ("a", "b", 10.0, Grade.REFUSED),
        ("a", "b", 35.0, Grade.REFUSED),
        ("a", "b", 35.1, Grade.GOOD),
        ("a", "a", 10.0, Grade.GOOD),
        ("", "b", 10.0, Grade.GOOD),
        ("a", "", 10.0, Grade.GOOD),
    ],
)
def test_another_sender_is_a_rival_only_while_the_first_is_fresh(
    first: str, second: str, apart_s: float, grade: Grade
) -> None:
    """P25: a node replaced after a silence is believed, one that joins in is not; who names nobody is no rival."""
    state = judge(SOIL, ProbeState(), named(0.0, first), NEVER).state
    assert judge(SOIL, state, named(apart_s, second), NEVER).grade is grade
