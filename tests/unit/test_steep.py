"""The rise of air against what a proof test measured of its heater: what counts, and what does not."""

from collections.abc import Callable

import pytest

from controller import steep
from controller.plausibility import judge
from controller.probe import Quantity, Reading
from controller.probe_state import ProbeState, Watch
from controller.safety.trip import Trip, TripKind

LIMIT = 4.0
"""[K/min]"""
PERIOD_S = 10


def watch(period_s: float = PERIOD_S) -> Watch:
    """Return an air probe's."""
    return Watch("air", Quantity.AIR, 0.2, period_s, 3 * period_s + 5, 57.0, None)


def lived(course: Callable[[float], float], until_s: int, hot: bool = True, period_s: int = PERIOD_S) -> list[int]:
    """Let air follow a course [Cel by s]; return how many values in a row had risen too fast, at each."""
    return [each for each, _ in _lived(course, until_s, hot, period_s)]


def _lived(course: Callable[[float], float], until_s: int, hot: bool, period_s: int) -> list[tuple[int, list[Trip]]]:
    probe, memory, found = ProbeState(), dict[str, steep.Steep](), []
    for at_s in range(0, until_s + 1, period_s):
        reading = Reading("larch", "air", course(at_s), None, at_s * 1000, float(at_s))
        probe = judge(watch(period_s), probe, reading, float("-inf")).state
        memory = dict(steep.observe(LIMIT, [watch(period_s)], {"air": probe}, memory, hot))
        # A tick without a new value counts nothing anew.
        assert steep.observe(LIMIT, [watch(period_s)], {"air": probe}, memory, hot) == memory
        found.append((memory["air"].times, steep.trips(LIMIT, memory, at_s * 1000)))
    return found


def ramp(rate: float, from_s: float = 300.0, low_c: float = 10.0) -> Callable[[float], float]:
    """Return air that rises [K/min] from some second on."""
    return lambda at_s: low_c + rate * max(0.0, at_s - from_s) / 60.0


@pytest.mark.parametrize(("rate", "counts"), [(3.9, False), (4.0, True), (4.1, True), (8.0, True), (-8.0, False)])
@pytest.mark.parametrize("period_s", [5, 10, 60])
def test_a_rise_counts_from_the_limit_on(rate: float, counts: bool, period_s: int) -> None:
    """Just under, at, just over, far over, and falling; at any period."""
    assert (max(lived(ramp(rate), 900, period_s=period_s)) >= 2) is counts


def test_the_first_value_ends_heat_and_the_second_latches() -> None:
    """P22: one may be a spike; a trip says figure and limit."""
    course = ramp(6.0)
    found = _lived(course, 900, True, PERIOD_S)
    first = next(number for number, (times, _) in enumerate(found) if times)
    assert found[first] == (1, [])
    (latched,) = found[first + 1][1]
    assert len(found[first + 2][1]) == 1
    assert (latched.kind, latched.probe, latched.limit) == (TripKind.AIR_RISE, "air", LIMIT)
    assert latched.value == pytest.approx(5.0, abs=1.01)
    assert (first * PERIOD_S - 300) <= 60


def told(value: float, earlier: float = 20.0, warmest_c: float = 20.0, pause_s: float = 10.0) -> steep.Steep:
    """Return what is remembered of a value that came `pause_s` after the one before, in air that rises steeply."""
    probe = ProbeState(over_value=value, compared_s=100.0, rise_k_per_min=8.0, recent=((35.0, earlier), (100.0, value)))
    before = {"air": steep.Steep(100.0 - pause_s, warmest_c)}
    return steep.observe(4.5, [watch()], {"air": probe}, before, True)["air"]


@pytest.mark.parametrize(("value", "times"), [(24.49, 0), (24.5, 1), (24.51, 1), (60.0, 1)])
def test_only_what_lies_a_minutes_limit_above_the_warmest_of_lately_counts(value: float, times: int) -> None:
    """Just under, at, just over, far over 4.5 K above 20 Cel."""
    assert (told(value).times, told(value).rise_k_per_min) == (times, 8.0 * times)


def test_the_warmest_of_lately_is_forgotten_a_tenth_of_a_kelvin_a_minute() -> None:
    """Ten minutes are one kelvin; what air was a minute ago is remembered whole; the first value remembers itself."""
    assert told(10.0, earlier=5.0, pause_s=600.0).warmest_c == pytest.approx(19.0, abs=1e-9)
    assert told(10.0, earlier=19.5, pause_s=600.0).warmest_c == 19.5
    first = ProbeState(over_value=11.0, compared_s=0.0, recent=((0.0, 11.0),))
    assert steep.observe(4.5, [watch()], {"air": first}, {}, True) == {"air": steep.Steep(0.0, 11.0, 0, 0.0)}
    assert steep.observe(4.5, [watch()], {"air": ProbeState()}, {}, True) == {}


def test_without_heat_nothing_counts() -> None:
    """The sun may do as it likes then; the fixed limit stands."""
    assert max(lived(ramp(8.0), 900, hot=False)) == 0


def test_one_spike_never_latches() -> None:
    """+30 K for one value."""
    assert max(lived(lambda at_s: 40.0 if at_s == 400 else 10.0, 900)) == 1


@pytest.mark.parametrize(("shut_for_s", "counts"), [(600, False), (1800, False), (4 * 3600, True)])
def test_air_that_comes_back_to_where_it_was_has_not_risen(shut_for_s: int, counts: bool) -> None:
    """A door opened on warm air and shut again: what lies below the warmest of lately does not count."""

    def course(at_s: float) -> float:
        if at_s < 600:
            return 20.0
        return 5.0 if at_s < 600 + shut_for_s else min(20.0, 5.0 + 6.0 * (at_s - 600 - shut_for_s) / 60.0)

    assert (max(lived(course, 600 + shut_for_s + 600)) >= 2) is counts


def test_beyond_where_it_was_it_counts_again() -> None:
    """The same door, and air that goes on to rise: a fire is not hidden by it."""

    def course(at_s: float) -> float:
        return 20.0 if at_s < 600 else 5.0 if at_s < 1200 else 5.0 + 6.0 * (at_s - 1200) / 60.0

    assert max(lived(course, 1700)) >= 2
