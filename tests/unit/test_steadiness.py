"""How values move: the rules one by one, at their bounds."""

import random
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.steadiness import block_length, drifted_k, half_steps, is_rough, leapt_k, remembered, roughness_k2


def told(values: list[float], period_s: float = 10.0) -> tuple[tuple[float, float], ...]:
    """Return the history of values that came a period apart."""
    history: tuple[tuple[float, float], ...] = ()
    for number, value in enumerate(values):
        history = remembered(history, number * period_s, value, period_s, block_length(period_s))
    return history


@pytest.mark.parametrize(("period_s", "length"), [(1.0, 4), (10.0, 4), (13.0, 3), (20.0, 2), (40.0, 1), (60.0, 1)])
def test_a_block_is_forty_seconds_and_at_most_four_values(period_s: float, length: int) -> None:
    """Slow probes have fewer values to average."""
    assert block_length(period_s) == length


@given(
    st.lists(st.tuples(st.floats(0.1, 500.0), st.floats(-40.0, 85.0)), max_size=60), st.sampled_from([1.0, 10.0, 60.0])
)
def test_the_history_stays_short_and_in_order(heard: list[tuple[float, float]], period_s: float) -> None:
    """At most 100 s of it, but never fewer values than one block where more were heard; the newest is last."""
    history: tuple[tuple[float, float], ...] = ()
    at_s = 0.0
    for wait_s, value in heard:
        at_s += wait_s
        history = remembered(history, at_s, value, period_s, block_length(period_s))
        assert history[-1] == (at_s, value)
        assert [each[0] for each in history] == sorted(each[0] for each in history)
        length = block_length(period_s)
        assert all(at_s - each[0] <= 60.0 + length * period_s for each in history[: -length - 1])


@pytest.mark.parametrize(("move_k", "leaps"), [(1.5, False), (-1.5, False), (1.501, True), (-1.501, True)])
def test_one_value_leaps_from_1_5_k_on(move_k: float, leaps: bool) -> None:
    """Against the mean of a minute ago, in either direction."""
    history = told([10.0] * 8)
    leapt = leapt_k(history, 80.0, 10.0 + move_k, block_length(10.0))
    assert (leapt is not None) is leaps
    assert leapt_k((), 0.0, 80.0, block_length(10.0)) is None


@pytest.mark.parametrize(("k_per_min", "drifts"), [(0.99, False), (1.01, True), (-1.01, True)])
@pytest.mark.parametrize("period_s", [2.0, 10.0, 30.0, 60.0])
def test_a_mean_may_not_move_more_than_a_kelvin_a_minute(k_per_min: float, drifts: bool, period_s: float) -> None:
    """At any period."""
    history = told([k_per_min * number * period_s / 60 for number in range(round(300 / period_s))], period_s)
    assert (drifted_k(history, block_length(period_s)) is not None) is drifts


def test_too_little_history_drifts_nowhere() -> None:
    """Two whole blocks are needed."""
    assert drifted_k(told([0.0, 0.0, 0.0, 0.0, 30.0, 30.0, 30.0]), block_length(10.0)) is None
    assert drifted_k(told([0.0, 0.0, 0.0, 0.0, 30.0, 30.0, 30.0, 30.0]), block_length(10.0)) == 30.0


def roughness(values: list[float], period_s: float = 10.0) -> float:
    """Return the roughness after these values."""
    rough, stride = 0.0, 0.0
    for before, after in pairwise(values):
        rough, stride = roughness_k2(rough, stride, after - before, period_s), after - before
    return rough


@pytest.mark.parametrize("sigma_k", [0.1, 0.5, 1.0, 2.0])
@pytest.mark.parametrize("period_s", [1.0, 10.0, 60.0])
def test_roughness_is_the_variance_of_noise(sigma_k: float, period_s: float) -> None:
    """On average over many averages, within a fifth."""
    noise = random.Random(7)
    span = 100 + round(4000 / period_s)
    found = [roughness([noise.gauss(0.0, sigma_k) for _ in range(span)], period_s) for _ in range(60)]
    assert sum(found) / len(found) == pytest.approx(sigma_k**2, rel=0.25)


@pytest.mark.parametrize(
    "values", [[0.5 * n for n in range(100)], [25.0] * 50, [2.0 ** (-n / 5) * 40 for n in range(99)]]
)
def test_a_trend_is_no_roughness(values: list[float]) -> None:
    """Steady, rising or relaxing: nothing goes back on itself."""
    assert roughness(values) == 0.0


@pytest.mark.parametrize("period_s", [10.0, 60.0, 3600.0])
def test_one_spike_of_any_size_is_not_rough(period_s: float) -> None:
    """P22: it counts as 10 K."""
    assert not is_rough(roughness([10.0] * 5 + [500.0] + [10.0], period_s), False)


@pytest.mark.parametrize(
    ("roughness_now", "before", "rough"),
    [(4.0, False, False), (4.01, False, True), (1.01, True, True), (1.0, True, False), (0.0, True, False)],
)
def test_rough_from_2_k_on_and_calm_below_1_k(roughness_now: float, before: bool, rough: bool) -> None:
    """P21: the square roots of these."""
    assert is_rough(roughness_now, before) is rough


def test_half_steps_are_counted_at_changes_alone() -> None:
    """P24: a value that stays counts for nothing, a finer one ends it."""
    count, earlier, seen = 0, None, []
    for value in (10.0, 10.0, 10.5, 10.5, 11.0, 9.5, 9.5625, 10.0):
        count, earlier = half_steps(count, earlier, value), value
        seen.append(count)
    assert seen == [0, 0, 1, 1, 2, 3, 0, 1]
