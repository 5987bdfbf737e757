"""Duty to on and off: the mean is kept, the shortest times are kept, nothing owed is dropped."""

from itertools import groupby, pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.control.contact_life import life_words, seasons
from controller.control.cycle import Cycle, CycleTimes, advance

TIMES = CycleTimes(300.0, 30.0, 30.0, 1e9, 60.0)
REAL = CycleTimes(300.0, 30.0, 30.0, 1790.0, 60.0)


def drive(times: CycleTimes, duty: float, seconds: int, start_s: int = 0, cycle: Cycle | None = None) -> list[bool]:
    """Return what is asked each second at a steady duty."""
    asked = []
    for second in range(start_s, start_s + seconds):
        cycle, asks = advance(times, cycle, duty, float(second))
        asked.append(asks)
    return asked


def spans(asked: list[bool]) -> list[tuple[bool, int]]:
    """Return the runs of on and off with their lengths [s], the unfinished first and last left out."""
    return [(on, len(list(run))) for on, run in groupby(asked)][1:-1]


@settings(max_examples=150, deadline=None)
@given(st.floats(0.0, 1.0))
def test_the_mean_on_time_is_the_duty(duty: float) -> None:
    """Over an hour the mean is within 1 % of full scale plus the one pulse that may still be owed."""
    asked = drive(TIMES, duty, 6 * 3600)
    assert abs(sum(asked) / len(asked) - duty) <= 0.01
    hour = sum(asked[7200:10800])
    assert abs(hour / 3600 - duty) <= 0.01 + 30 / 3600


@settings(max_examples=150, deadline=None)
@given(
    st.lists(st.floats(0.0, 1.0), min_size=1, max_size=40), st.sampled_from([(120.0, 30.0, 30.0), (300.0, 30.0, 60.0)])
)
def test_no_closing_or_opening_is_shorter_than_allowed(duties: list[float], shape: tuple[float, float, float]) -> None:
    """For any duty changing every 90 s."""
    times, cycle, asked = CycleTimes(*shape, 1e9, 60.0), None, []
    for second in range(90 * len(duties)):
        cycle, asks = advance(times, cycle, duties[second // 90], float(second))
        asked.append(asks)
    for on, length in spans(asked):
        assert length >= (times.least_on_s if on else times.least_off_s)


@pytest.mark.parametrize("duty", [0.01, 0.05, 0.099])
def test_pulses_too_short_are_owed_and_paid(duty: float) -> None:
    """A duty under the shortest closing gives a rarer pulse of the right mean, not none."""
    asked = drive(TIMES, duty, 36_000)
    assert sum(asked) / len(asked) == pytest.approx(duty, abs=0.0015)
    assert all(length >= 30 for on, length in spans(asked) if on)


@pytest.mark.parametrize("duty", [0.905, 0.95, 0.99])
def test_openings_too_short_are_owed_too(duty: float) -> None:
    """Near full heat the opening waits until it is long enough, and the mean is kept."""
    asked = drive(TIMES, duty, 36_000)
    assert sum(asked) / len(asked) == pytest.approx(duty, abs=0.005)
    assert all(length >= 30 for on, length in spans(asked) if not on)


@pytest.mark.parametrize(
    ("duty", "on_s"), [(0.0, 0), (0.0999, 0), (0.1, 30), (0.4, 120), (0.9, 270), (0.91, 300), (1.0, 300)]
)
def test_one_window(duty: float, on_s: int) -> None:
    """Just under, at and just over the shortest times."""
    assert sum(drive(TIMES, duty, 300)) == on_s


def test_no_duty_clears_what_was_owed() -> None:
    """Soil that is warm enough owes nothing: an old remainder is not paid hours later."""
    cycle, _ = advance(TIMES, None, 0.09, 0.0)
    assert cycle.carry_s == pytest.approx(27.0)
    cycle, _ = advance(TIMES, cycle, 0.0, 300.0)
    assert cycle.carry_s == 0.0


def test_what_is_owed_is_not_carried_over_a_long_gap() -> None:
    """A window two windows late begins without a remainder."""
    cycle, _ = advance(TIMES, None, 0.09, 0.0)
    assert advance(TIMES, cycle, 0.05, 300.0)[1]
    assert advance(TIMES, cycle, 0.05, 599.0)[1]
    assert not advance(TIMES, cycle, 0.05, 600.0)[1]


def test_a_window_once_begun_keeps_its_promise() -> None:
    """Duty is taken at the window's beginning: jitter within it makes no contacts."""
    cycle, asks = advance(TIMES, None, 0.5, 0.0)
    for second in range(1, 150):
        cycle, asks = advance(TIMES, cycle, second % 2, float(second))
        assert asks
    assert not advance(TIMES, cycle, 1.0, 150.0)[1]


@pytest.mark.parametrize("start_s", [0, 137])
def test_the_longest_closing_ends_in_a_rest(start_s: int) -> None:
    """At full duty: 1790 s on, then off for 60 s, and so on; 10 s before the node would open by itself."""
    asked = drive(REAL, 1.0, 6000, start_s)
    lengths = [(on, len(list(run))) for on, run in groupby(asked)]
    assert lengths[:4] == [(True, 1790), (False, 60), (True, 1790), (False, 60)]


@settings(max_examples=60, deadline=None)
@given(st.floats(0.85, 1.0))
def test_no_closing_is_longer_than_the_longest(duty: float) -> None:
    """For any high duty, and each opening at least the rest or the shortest opening."""
    asked = drive(REAL, duty, 4 * 3600)
    assert all(length <= 1790 for on, length in spans(asked) if on)
    assert all(length >= 30 for on, length in spans(asked) if not on)


@pytest.mark.parametrize(("duty", "on_s"), [(0.0, 0), (0.1, 90), (0.2, 120), (0.5, 210), (0.69, 267), (0.71, 300)])
def test_a_rest_ends_in_a_whole_window_that_pays_for_the_rest(duty: float, on_s: int) -> None:
    """Full duty for the 1850 s that a longest closing and its rest last, then less: 60 s are owed and paid first."""
    cycle, asked = None, []
    for second in range(1850 + 300):
        cycle, asks = advance(REAL, cycle, 1.0 if second < 1850 else duty, float(second))
        asked.append(asks)
    assert sum(asked[:1850]) == 1790
    assert sum(asked[1850:]) == on_s
    assert all(asked[1850 : 1850 + on_s]), "in one closing"


@pytest.mark.parametrize(("rests", "owed_s"), [(1, 60), (4, 240), (5, 300), (6, 300)])
def test_no_heat_is_lost_to_rests_on_balance(rests: int, owed_s: int) -> None:
    """After hours of full duty and then half, the on-time is what was asked, but never more than a window late."""
    full_s, half_s, cycle, on_s = 1850 * rests, 7200, None, 0
    for second in range(full_s + half_s):
        cycle, asks = advance(REAL, cycle, 1.0 if second < full_s else 0.5, float(second))
        on_s += asks
    assert on_s == 1790 * rests + half_s / 2 + owed_s


@pytest.mark.parametrize("duty", [0.5, 0.7, 0.98])
def test_a_rest_within_a_long_window_gives_no_heat_twice(duty: float) -> None:
    """Where the window is longer than the longest closing, what the rest cuts off it is not paid again."""
    asked = drive(CycleTimes(3600.0, 30.0, 30.0, 1790.0, 60.0), duty, 100_000)
    most = min(duty, 1790 / 1850)
    assert sum(asked) / len(asked) == pytest.approx(most, abs=0.02)


def test_the_same_inputs_give_the_same_cycle() -> None:
    """Pure: no hidden clock."""
    assert drive(TIMES, 0.37, 5000) == drive(TIMES, 0.37, 5000)


def starts(asked: list[bool]) -> list[int]:
    """Return the seconds at which the output went on."""
    return [second for second, (before, now) in enumerate(pairwise([False, *asked])) if now and not before]


def test_windows_follow_one_another_without_drift() -> None:
    """At a steady duty starts lie exactly a window apart."""
    assert {later - earlier for earlier, later in pairwise(starts(drive(TIMES, 0.5, 7200)))} == {300}


@pytest.mark.parametrize("start_s", [0, 137])
def test_no_hour_has_more_than_twelve_starts_not_even_the_one_after_a_rest(start_s: int) -> None:
    """The start that ends a rest is the first of twelve, a window apart: 1850, 2150 and so on to 5150 s."""
    cycle, asked = None, []
    for second in range(10_000):
        cycle, asks = advance(REAL, cycle, 1.0 if second < 1800 else 0.5, float(start_s + second))
        asked.append(asks)
    assert starts(asked)[:4] == [0, 1850, 2150, 2450]
    assert sum(1850 <= second < 1850 + 3600 for second in starts(asked)) == 12


@settings(max_examples=50, deadline=None)
@given(st.lists(st.sampled_from([0.0, 0.05, 0.5, 0.9, 0.97, 0.99, 1.0, 1.0, 1.0, 1.0]), min_size=1, max_size=20))
def test_starts_lie_a_window_apart_whatever_the_duty(duties: list[float]) -> None:
    """For any duty changing every 700 s, rests included."""
    cycle, asked = None, []
    for second in range(700 * len(duties)):
        cycle, asks = advance(REAL, cycle, duties[second // 700], float(second))
        asked.append(asks)
    assert all(later - earlier >= 300 for earlier, later in pairwise(starts(asked)))


def test_contacts_last_as_many_seasons_as_their_closings_allow() -> None:
    """100,000 closings at 24 a day in 90 days a year are 46 seasons; a relay never used has no end to tell."""
    assert seasons(24.0) == pytest.approx(100_000 / (24.0 * 90.0))
    assert life_words(24.0) == "24.0 a day: contacts last 46 seasons of 90 days"
    assert life_words(1.0) == "1.0 a day: contacts last more than 100 seasons of 90 days"
    assert (seasons(0.0), life_words(0.0)) == (None, "0.0 a day")
