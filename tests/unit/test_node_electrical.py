"""The node's electrical watch at its boundaries: each rule just under, at and over."""

import math

import pytest

from controller.node.electrical import ElectricalWatch, Finding, Sensed, Told
from controller.node.power import power_share
from controller.safety.node_fault import WORDS, NodeFault

OPEN, K1_ONLY, K2_ONLY, CLOSED = Told(), Told(k1=True), Told(k2=True), Told(True, True)
RATED_A = 2.0


def look(
    watch: ElectricalWatch, told: Told, amps: float | None, from_s: float, to_s: float, aux: bool | None = None
) -> Finding:
    """Look every quarter of a second from `from_s` to `to_s`, both included; return the last finding."""
    found = Finding()
    for quarter in range(round(from_s * 4), round(to_s * 4) + 1):
        found = watch.see(told, Sensed(amps, aux), quarter / 4)
    return found


@pytest.mark.parametrize("told", [OPEN, K2_ONLY])
@pytest.mark.parametrize(("amps", "is_fault"), [(0.0, False), (0.1, False), (0.1001, True), (2.0, True)])
def test_current_two_seconds_after_opening_is_a_fault(told: Told, amps: float, is_fault: bool) -> None:
    """N18: above 0.1 A, at 2 s and not before; whichever contact should hold it."""
    watch = ElectricalWatch(RATED_A)
    assert look(watch, told, amps, 0.0, 1.75).faults == ()
    assert look(watch, told, amps, 2.0, 2.0).faults == ((NodeFault.CURRENT_WHEN_OPEN,) if is_fault else ())


def test_a_spike_while_open_is_no_fault() -> None:
    """N18 must not act: half a second of current is needed, however long it was open before."""
    watch = ElectricalWatch(RATED_A)
    look(watch, OPEN, 0.0, 0.0, 10.0)
    assert look(watch, OPEN, 2.0, 10.25, 10.5).faults == ()
    assert look(watch, OPEN, 0.0, 10.75, 10.75).faults == ()
    assert look(watch, OPEN, 2.0, 11.0, 11.25).faults == ()
    assert look(watch, OPEN, 2.0, 11.5, 11.5).faults == (NodeFault.CURRENT_WHEN_OPEN,)


def test_current_while_only_k1_is_closed_is_the_proofs_business() -> None:
    """The watch does not know what the proof expects."""
    assert look(ElectricalWatch(RATED_A), K1_ONLY, 2.0, 0.0, 9.0) == Finding()


@pytest.mark.parametrize(("told", "aux"), [(OPEN, True), (CLOSED, False), (K1_ONLY, False)])
@pytest.mark.parametrize("rated_a", [None, RATED_A])
def test_an_auxiliary_contact_may_disagree_for_less_than_3_s(told: Told, aux: bool, rated_a: float | None) -> None:
    """N06: both ways, with a current sensor or without."""
    watch = ElectricalWatch(rated_a)
    amps = None if rated_a is None else (2.0 if told is CLOSED else 0.0)
    assert look(watch, told, amps, 0.0, 2.75, aux).faults == ()
    assert look(watch, told, amps, 3.0, 3.0, aux).faults == (NodeFault.NOT_FOLLOWING,)
    assert look(watch, told, amps, 3.25, 3.25, not aux).faults == ()


@pytest.mark.parametrize("amps", [0.0, 0.09])
def test_more_than_5_s_without_current_is_a_fault(amps: float) -> None:
    """K04 H01: at 5 s not yet; under 0.1 A."""
    watch = ElectricalWatch(RATED_A)
    assert look(watch, CLOSED, amps, 0.0, 5.0).faults == ()
    assert look(watch, CLOSED, amps, 5.25, 5.25).faults == (NodeFault.NO_CURRENT,)


def test_a_short_pause_begins_the_5_s_again() -> None:
    """K04 must not act: a moment of current between."""
    watch = ElectricalWatch(RATED_A)
    look(watch, CLOSED, 0.0, 0.0, 4.0)
    look(watch, CLOSED, 2.0, 4.25, 4.25)
    assert look(watch, CLOSED, 0.0, 4.5, 9.5).faults == ()


@pytest.mark.parametrize(
    ("share", "is_half"), [(0.399, False), (0.401, True), (0.5, True), (0.599, True), (0.601, False)]
)
def test_between_40_and_60_percent_is_half_power_after_3_s(share: float, is_half: bool) -> None:
    """K06: one half-wave is half the power and 0.71 of the current."""
    watch = ElectricalWatch(RATED_A)
    amps = RATED_A * math.sqrt(share)
    assert look(watch, CLOSED, amps, 0.0, 2.75).faults == ()
    assert look(watch, CLOSED, amps, 3.0, 9.0).faults == ((NodeFault.HALF_POWER,) if is_half else ())


@pytest.mark.parametrize(
    ("share", "fault", "rest"),
    [(1.099, False, False), (1.101, False, True), (1.249, False, True), (1.251, True, False), (1.69, True, False)],
)
def test_high_power_must_last_10_s(share: float, fault: bool, rest: bool) -> None:
    """H02 W02: over 125 % is a fault, over 110 % a rest; at 9.75 s neither."""
    watch = ElectricalWatch(RATED_A)
    amps = RATED_A * math.sqrt(share)
    assert look(watch, CLOSED, amps, 0.0, 9.75) == Finding()
    assert look(watch, CLOSED, amps, 10.0, 10.0) == Finding((NodeFault.OVER_POWER,) if fault else (), rest)


@pytest.mark.parametrize(("again_s", "fault"), [(3585.0, True), (3600.0, False)])
def test_a_second_rest_within_an_hour_is_a_fault(again_s: float, fault: bool) -> None:
    """W02: the hour counts from rest to rest."""
    watch = ElectricalWatch(RATED_A)
    assert look(watch, CLOSED, 2.2, 0.0, 10.0).rest
    watch.see(OPEN, Sensed(0.0), 10.25)
    found = look(watch, CLOSED, 2.2, again_s, again_s + 10.0)
    assert found == Finding((NodeFault.OVER_POWER,) if fault else (), not fault)


@pytest.mark.parametrize(("share", "low"), [(0.901, False), (0.899, True), (0.64, True), (0.3, True)])
def test_low_power_is_a_notice_after_10_s_that_outlasts_the_pause(share: float, low: bool) -> None:
    """W03: told, never a fault; it ends with the first look at sound power, not with the end of a closing."""
    watch = ElectricalWatch(RATED_A)
    amps = RATED_A * math.sqrt(share)
    look(watch, CLOSED, amps, 0.0, 9.75)
    assert not watch.power.low
    assert look(watch, CLOSED, amps, 10.0, 10.0) == Finding()
    look(watch, OPEN, 0.0, 10.25, 60.0)
    look(watch, CLOSED, amps, 60.25, 61.0)
    assert watch.power.low is low
    look(watch, CLOSED, 2.0, 61.25, 61.25)
    assert not watch.power.low


def drop(watch: ElectricalWatch, at_s: float, for_s: float) -> Finding:
    """Let the current fail from `at_s` for `for_s` and come back for a second."""
    look(watch, CLOSED, 0.0, at_s, at_s + for_s - 0.25)
    return look(watch, CLOSED, 2.0, at_s + for_s, at_s + for_s + 1.0)


def test_the_fourth_drop_out_of_one_closing_is_a_fault() -> None:
    """K05: three are not; an opening between begins the count again."""
    watch = ElectricalWatch(RATED_A)
    look(watch, CLOSED, 2.0, 0.0, 1.0)
    for at_s in (10.0, 20.0, 30.0):
        assert drop(watch, at_s, 0.5).faults == ()
    look(watch, OPEN, 0.0, 40.0, 45.0)
    look(watch, CLOSED, 2.0, 46.0, 47.0)
    for at_s in (50.0, 60.0, 70.0):
        assert drop(watch, at_s, 0.75).faults == ()
    assert drop(watch, 80.0, 0.5).faults == (NodeFault.INTERMITTENT,)


@pytest.mark.parametrize(("third_s", "fault"), [(599.0, True), (601.5, False)])
def test_the_third_pause_within_ten_minutes_is_a_fault(third_s: float, fault: bool) -> None:
    """H04: pauses of a second and more; openings between do not forget them."""
    watch = ElectricalWatch(RATED_A)
    look(watch, CLOSED, 2.0, -2.0, -1.0)
    for at_s in (0.0, 200.0):
        drop(watch, at_s, 3.0)
        look(watch, OPEN, 0.0, at_s + 10.0, at_s + 12.0)
        look(watch, CLOSED, 2.0, at_s + 13.0, at_s + 14.0)
    assert look(watch, CLOSED, 0.0, third_s, third_s + 0.75).faults == ()
    found = look(watch, CLOSED, 0.0, third_s + 1.0, third_s + 1.0)
    assert found.faults == ((NodeFault.SELF_INTERRUPTING,) if fault else ())


def test_long_pauses_far_apart_are_no_drop_outs() -> None:
    """K05 must not act: four pauses of the heater's own thermostat in one closing of half an hour."""
    watch = ElectricalWatch(RATED_A)
    look(watch, CLOSED, 2.0, 0.0, 1.0)
    for at_s in (100.0, 520.0, 940.0, 1360.0):
        assert drop(watch, at_s, 3.0) == Finding()


def test_closing_late_is_no_pause() -> None:
    """K05 H04 must not act: before current has flowed once, its absence is none."""
    watch = ElectricalWatch(RATED_A)
    for at_s in range(0, 100, 10):
        look(watch, OPEN, 0.0, at_s, at_s + 3.0)
        for late_s in (3.25, 4.25, 5.25):
            assert watch.see(CLOSED, Sensed(0.0), at_s + late_s) == Finding()
        assert look(watch, CLOSED, 2.0, at_s + 5.5, at_s + 9.0) == Finding()


@pytest.mark.parametrize("amps", [None, math.nan, math.inf, -0.1])
@pytest.mark.parametrize("told", [OPEN, CLOSED])
def test_a_sensor_that_gives_no_possible_number_is_a_fault_after_2_s(amps: float | None, told: Told) -> None:
    """A comparison with NaN is always false: without this rule it would blind every other."""
    watch = ElectricalWatch(RATED_A)
    assert look(watch, told, amps, 0.0, 1.75).faults == ()
    assert look(watch, told, amps, 2.0, 2.0).faults == (NodeFault.SENSOR,)


def test_without_a_sensor_only_the_auxiliary_contact_speaks() -> None:
    """No sensor is no fault."""
    watch = ElectricalWatch(None)
    for told in (OPEN, CLOSED):
        assert look(watch, told, None, 0.0, 60.0) == Finding()


@pytest.mark.parametrize(("amps", "share"), [(2.0, 1.0), (2.2, 1.21), (1.6, 0.64), (math.sqrt(2.0), 0.5), (0.0, 0.0)])
def test_power_goes_with_the_square_of_the_current(amps: float, share: float) -> None:
    """Mains at +10 % and -20 %, and one half-wave."""
    assert power_share(amps, RATED_A) == pytest.approx(share)


def test_every_fault_has_its_words_and_a_short_plain_name() -> None:
    """People are told more than a code, and the name fits the wire."""
    assert set(WORDS) == set(NodeFault)
    for fault, words in WORDS.items():
        assert len(fault) <= 40
        assert fault.replace("-", "").isalnum()
        assert len(words) > 20
    missing = WORDS[NodeFault.NO_CURRENT]
    assert all(word in missing for word in ("element", "thermal fuse", "earth-fault breaker", "plug", "coil"))


def test_a_sensor_gone_wild_is_over_power_and_ends_no_program() -> None:
    """The largest number that a sensor can give is a fault like any current that no mains explain."""
    watch = ElectricalWatch(RATED_A)
    assert look(watch, CLOSED, 1e300, 0.0, 10.0).faults == (NodeFault.OVER_POWER,)
