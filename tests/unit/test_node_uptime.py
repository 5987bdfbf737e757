"""The node's clock over the wrap of its 32-bit milliseconds."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.node.uptime import Uptime

SPAN = 2**32


@pytest.mark.parametrize(("boot", "then", "seconds"), [(0, 1500, 1.5), (SPAN - 500, 500, 1.0), (7, 7, 0.0)])
def test_seconds_count_on_across_the_wrap(boot: int, then: int, seconds: float) -> None:
    """N16: the unsigned difference."""
    assert Uptime(boot).seconds(then) == seconds


@given(st.integers(0, SPAN - 1), st.lists(st.integers(0, SPAN - 1), max_size=30))
def test_any_run_of_turns_sums_up(boot: int, turns: list[int]) -> None:
    """N16: wherever it wraps, however often, time is the sum of the turns and never steps back."""
    clock, millis, total = Uptime(boot), boot, 0
    for turn in turns:
        millis, total = (millis + turn) % SPAN, total + turn
        assert clock.seconds(millis) == total / 1000
