"""The proof before arming: each contact alone, one after the other."""

import math
from collections.abc import Callable

import pytest

from controller.node.electrical import Told
from controller.node.proof import Proof, Proved
from controller.safety.node_fault import NodeFault

TURN_S = 0.25


def run(proof: Proof, amps: Callable[[Told], float | None], to_s: float, from_s: float = 0.0) -> NodeFault | None:
    """Turn until `to_s` or a fault; `amps` answers what is told."""
    for quarter in range(round(from_s / TURN_S) + 1, round(to_s / TURN_S) + 1):
        fault = proof.advance(amps(proof.told), quarter * TURN_S)
        if fault is not None:
            return fault
    return None


def begun() -> Proof:
    """Return a proof that began at 0 s."""
    proof = Proof()
    proof.begin(True, 0.0)
    return proof


def test_each_contact_is_closed_alone_for_two_seconds_and_never_both() -> None:
    """K1 alone 2 s, both open half a second, K2 alone 2 s, and it has passed."""
    proof, told = begun(), []
    while proof.stands is Proved.RUNNING:
        told.append(proof.told)
        proof.advance(0.0, len(told) * TURN_S)
    assert told == [Told(k1=True)] * 8 + [Told()] * 2 + [Told(k2=True)] * 8
    assert proof.stands is Proved.PASSED
    assert not any(each.heats for each in told)


@pytest.mark.parametrize(
    ("flows_when", "fault", "at_s"),
    [
        (Told(k1=True), NodeFault.K2_WELDED, 0.75),
        (Told(k2=True), NodeFault.CURRENT_WHEN_OPEN, 3.25),
        (Told(), NodeFault.CURRENT_WHEN_OPEN, 2.5),
    ],
)
def test_current_in_a_step_names_the_contact_that_should_have_held_it(
    flows_when: Told, fault: NodeFault, at_s: float
) -> None:
    """K03 K01: half a second of it is enough, and no later step is tried."""
    proof = begun()
    assert run(proof, lambda told: 2.0 if told == flows_when else 0.0, at_s - TURN_S) is None
    assert proof.stands is Proved.RUNNING
    assert run(proof, lambda told: 2.0 if told == flows_when else 0.0, at_s, at_s - TURN_S) is fault


@pytest.mark.parametrize(
    ("amps", "passes"), [(0.0, True), (0.1, True), (0.101, False), (math.nan, False), (None, False)]
)
def test_more_than_a_tenth_of_an_ampere_is_current_and_so_is_no_number(amps: float | None, passes: bool) -> None:
    """A sensor that says nothing has proved nothing."""
    assert (run(begun(), lambda _: amps, 10.0) is None) is passes


def test_a_spike_shorter_than_half_a_second_is_forgiven_unless_a_step_ends_with_it() -> None:
    """The last look of a step decides."""
    for spike_s, fault in ((1.0, None), (2.0, NodeFault.K2_WELDED)):
        proof = begun()
        found = [proof.advance(2.0 if quarter / 4 == spike_s else 0.0, quarter / 4) for quarter in range(1, 9)]
        assert found[-1] is fault


@pytest.mark.parametrize(("gap_s", "goes_on"), [(1.0, True), (1.01, False)])
def test_a_step_in_which_the_loop_stood_still_is_begun_again(gap_s: float, goes_on: bool) -> None:
    """K2 falls without pulses, so a long turn has shown nothing of K1."""
    proof = begun()
    run(proof, lambda _: 0.0, 3.5)
    proof.advance(0.0, 3.5 + gap_s)
    proof.advance(0.0, 4.55)
    assert (proof.stands is Proved.PASSED) is goes_on
    assert proof.told == Told(k2=True)
    assert run(proof, lambda _: 0.0, 6.75, 4.5) is None
    assert proof.stands is Proved.PASSED


def test_without_a_sensor_nothing_is_proved_and_arming_goes_on() -> None:
    """Said openly: not possible, which is not passed."""
    proof = Proof()
    proof.begin(False, 0.0)
    assert proof.stands is Proved.NOT_POSSIBLE
    assert proof.permits
    assert not proof.holds(0.0)


@pytest.mark.parametrize(("after_s", "holds"), [(0.0, True), (86_399.0, True), (86_400.0, False)])
def test_a_passed_proof_serves_for_a_day(after_s: float, holds: bool) -> None:
    """At 24 h exactly it is too old for a new arming edge; what is armed stays so."""
    proof = begun()
    run(proof, lambda _: 0.0, 4.5)
    assert proof.holds(4.5 + after_s) is holds
    assert proof.permits


def test_a_fault_spoils_a_proof_and_an_end_breaks_a_running_one_off() -> None:
    """Running becomes failed, passed becomes none; failed stays failed."""
    proof = begun()
    proof.spoil()
    assert proof.stands is Proved.FAILED
    proof.spoil()
    proof.break_off()
    assert proof.stands is Proved.FAILED
    proof = begun()
    proof.break_off()
    assert proof.stands is Proved.NOT_YET
    proof = begun()
    run(proof, lambda _: 0.0, 4.5)
    proof.break_off()
    assert proof.stands is Proved.PASSED
    proof.spoil()
    assert proof.stands is Proved.NOT_YET
    assert not proof.permits
