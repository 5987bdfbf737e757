"""The node's dead-man: leases, numbers, epochs, rests; hazard rows N09-N12, N14, N15, R03-R05, C04."""

import json
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.node.relay_core import RelayCore, newer
from controller.safety.lease import Order
from controller.wire.relay import encode_command, mac_of

KEY = b"k" * 32
ON, READY, OFF = Order(True, True, ""), Order(False, True, ""), Order(False, False, "")
BEGAN_MS = 1_772_400_000_000


def command(
    order: Order, seq: int, at_s: float, lease_s: float = 15.0, epoch: int = 7, by: str = "c", key: bytes | None = KEY
) -> bytes:
    """Write a command as the controller would at `at_s`."""
    return encode_command(order, lease_s, epoch, seq, BEGAN_MS + round(at_s * 1000), by, key)


def by_hand(**changes: object) -> bytes:
    """Write a signed command to heat, with fields changed or (None) left out."""
    fields = json.loads(command(ON, 1, 0.0))
    fields |= changes
    fields = {name: value for name, value in fields.items() if value is not None and name != "mac"}
    return json.dumps(fields | {"mac": mac_of(fields, KEY)}, sort_keys=True, separators=(",", ":")).encode()


def heating(at_s: float = 0.0, seq: int = 1) -> RelayCore:
    """Return a core that has just accepted a lease."""
    core = RelayCore(KEY)
    assert core.receive(command(ON, seq, at_s), False, at_s) == ""
    assert core.advance(at_s)
    return core


def test_it_begins_open() -> None:
    """N02 N14: nothing is on before a command."""
    core = RelayCore(KEY)
    assert not core.advance(0.0)
    assert not core.armed


@pytest.mark.parametrize(("after_s", "closed"), [(14.99, True), (15.0, False), (15.01, False), (1e9, False)])
def test_r01_after_the_last_command_the_contact_opens_at_15_s(after_s: float, closed: bool) -> None:
    """R01 R07 I1: silence opens both contacts at the lease's end and counts one drop."""
    core = heating()
    assert core.advance(after_s) is closed
    assert core.armed is closed
    assert core.drops == (0 if closed else 1)


def test_a_command_that_comes_after_the_leases_end_finds_the_contact_open() -> None:
    """The lease ends by time, not by the next look at the clock: the drop is counted; K1 never moved."""
    core = heating()
    core.receive(command(ON, 2, 18.0), False, 18.0)
    assert core.drops == 1
    assert core._closed_since_s == 0.0


@pytest.mark.parametrize(("late_s", "reason"), [(0.0, ""), (5.0, ""), (6.5, "late"), (10.0, "late")])
def test_an_on_that_is_as_late_as_its_own_lease_is_refused(late_s: float, reason: str) -> None:
    """N11: a lease of 6 s that took 6 s to come (and what the clocks may drift) is over before it begins."""
    core = RelayCore(KEY)
    core.receive(command(READY, 1, 0.0), False, 0.0)
    assert core.receive(command(ON, 2, 4.0, lease_s=6.0), False, 4.0 + late_s) == reason
    assert core.on is (reason == "")


@pytest.mark.parametrize(("late_s", "reason"), [(29.9, ""), (30.0, "late"), (72.0, "late")])
def test_however_long_the_silence_drift_excuses_no_more_than_a_lease(late_s: float, reason: str) -> None:
    """R03: after an hour 2 % would be 72 s, and a command queued for a minute would heat."""
    core = RelayCore(KEY)
    core.receive(command(READY, 1, 0.0), False, 0.0)
    assert core.receive(command(ON, 2, 3600.0), False, 3600.0 + late_s) == reason
    assert core.on is (reason == "")


def test_c04_a_second_controller_may_not_even_arm_while_the_first_ones_lease_runs() -> None:
    """C04: neither heat nor K2; its off is obeyed, as anyone's is."""
    core = heating()
    assert core.receive(command(READY, 2, 5.0, epoch=9, by="other"), False, 5.0) == "second-controller"
    assert core.epoch != 9
    assert core.receive(command(READY, 2, 16.0, epoch=9, by="other"), False, 16.0) == ""


def test_a_ready_lease_ends_as_well_without_a_drop() -> None:
    """K2 alone is no heat: it opens with the lease, and no drop is counted."""
    core = RelayCore(KEY)
    core.receive(command(READY, 1, 0.0), False, 0.0)
    assert core.armed
    core.advance(15.0)
    assert (core.armed, core.drops) == (False, 0)


def test_n09_1800_s_of_valid_leases_end_in_a_rest_of_a_minute() -> None:
    """N09: forced off at 1800 s whatever is commanded, and not on again for 60 s."""
    core, closed = RelayCore(KEY), []
    for second in range(2000):
        if second % 5 == 0:
            core.receive(command(ON, second + 1, second), False, second)
        closed.append(core.advance(second))
    assert all(closed[:1800])
    assert not any(closed[1800:1860])
    assert all(closed[1860:])
    assert core.refused == {"longest-closing": 1, "resting": 12}


def test_a_rest_opens_at_once_and_never_shortens_an_earlier_one() -> None:
    """W02: no "on" is obeyed before the later of two rests is over."""
    core = heating()
    core.rest(30.0)
    core.rest(20.0)
    assert not core.advance(0.0)
    for number, (second, closed) in enumerate(((5.0, False), (29.9, False), (30.0, True))):
        core.receive(command(ON, number + 2, second), False, second)
        assert core.advance(second) is closed


def test_after_a_boot_no_number_that_may_have_been_obeyed_is_obeyed_again() -> None:
    """N14: what the store kept is refused under a name of its own, so that it alarms nobody."""
    core = RelayCore(KEY, epoch=7, seq=20)
    assert core.receive(command(ON, 20, 0.0), False, 0.0) == "before-boot"
    assert core.receive(command(ON, 99, 0.0, epoch=6), False, 0.0) == "older-epoch"
    assert core.receive(command(ON, 21, 0.0), False, 0.0) == ""
    assert core.receive(command(ON, 21, 0.0), False, 0.0) == "replayed"


def test_w01_no_on_is_obeyed_before_the_wait_after_a_boot_is_over() -> None:
    """W01: K2 may be armed meanwhile, off is obeyed, and heat comes with the first renewal after it."""
    core = RelayCore(KEY, rests_until_s=45.0)
    for number, second in enumerate(range(0, 60, 5)):
        core.receive(command(ON, number + 1, second), False, second)
        assert core.advance(second) is (second >= 45)
        assert core.armed
    assert core.refused == {"resting": 9}


def test_n09_an_opening_starts_the_1800_s_again() -> None:
    """N09: the longest closing is continuous; an opening between is a rest of its own."""
    core, closed = heating(), {}
    for number, second in enumerate(range(0, 2900, 5)):
        core.receive(command(READY if second == 1000 else ON, number + 2, second), False, second)
        closed[second] = core.advance(second)
    assert [second for second, is_closed in closed.items() if not is_closed] == [1000, *range(2805, 2865, 5)]


@pytest.mark.parametrize("seq", [1, 0, 5, 2**31 + 5])
def test_n10_an_old_number_is_refused_and_counted(seq: int) -> None:
    """N10: a number not after the last one neither closes nor prolongs."""
    core = heating(seq=5)
    assert core.receive(command(ON, seq, 10.0), False, 10.0) == "replayed"
    assert not core.advance(15.0)
    assert core.refused == {"replayed": 1}


def test_n11_a_lease_of_an_hour_ends_at_15_s() -> None:
    """N11: the node's own bound holds."""
    core = RelayCore(KEY)
    core.receive(command(ON, 1, 0.0, lease_s=3600.0), False, 0.0)
    assert core.advance(14.9)
    assert not core.advance(15.0)
    assert core.lease_left_s(1.0) == 14.0
    assert core.lease_left_s(15.0) == 0.0


@pytest.mark.parametrize("lease_s", [0, 0.0, -1, -0.001, float("nan"), float("inf"), None, "15", True, [15], 10**400])
def test_n12_a_lease_that_is_no_positive_number_closes_nothing(lease_s: object) -> None:
    """N12: refused, and the contact stays open."""
    core = RelayCore(KEY)
    assert core.receive(by_hand(lease_s=lease_s), False, 0.0) == "bad-lease_s"
    assert not core.advance(0.0)


def test_n14_a_retained_command_is_nothing() -> None:
    """N14 B03: on after a reboot is refused if the broker kept it, and a retained off does not end a live lease."""
    core = RelayCore(KEY)
    assert core.receive(command(ON, 1, 0.0), True, 0.0) == "retained"
    assert not core.advance(0.0)
    core = heating()
    assert core.receive(command(OFF, 2, 1.0), True, 1.0) == "retained"
    assert core.advance(1.0)


def test_n15_numbers_go_on_over_the_wrap_of_32_bits() -> None:
    """N15: no stuck-on, no stuck-off across 2^32."""
    core = heating(seq=2**32 - 2)
    for second, seq in ((5, 2**32 - 1), (10, 0), (15, 1)):
        assert core.receive(command(ON, seq, second), False, second) == ""
        assert core.advance(second)
    assert core.receive(command(ON, 2**32 - 1, 16.0), False, 16.0) == "replayed"


@pytest.mark.parametrize(
    ("seq", "than", "is_newer"),
    [(1, 0, True), (0, 1, False), (0, 0, False), (0, 2**32 - 1, True), (2**31 - 1, 0, True), (2**31, 0, False)],
)
def test_numbers_compare_in_serial_arithmetic(seq: int, than: int, is_newer: bool) -> None:
    """Half the circle is after, the other half before, and the exact opposite is not after."""
    assert newer(seq, than) is is_newer


def test_r03_a_flood_of_old_commands_closes_nothing() -> None:
    """R03: after a burst of 60 s latency the old commands are late by the node's own reckoning."""
    core = heating()
    core.advance(20.0)
    for seq in range(2, 12):
        assert core.receive(command(ON, seq, 5.0 * seq - 5.0), False, 70.0 + seq) in {"late", ""}
    late = RelayCore(KEY)
    late.receive(command(ON, 1, 0.0), False, 0.0)
    late.advance(20.0)
    for seq in range(2, 9):
        assert late.receive(command(ON, seq, float(seq)), False, 60.0 + seq) == "late"
        assert not late.advance(60.0 + seq)


def test_r03_a_late_off_is_obeyed() -> None:
    """I3: off is obeyed at any age."""
    core = heating()
    core.receive(command(OFF, 2, -500.0), False, 1.0)
    assert not core.advance(1.0)


def test_r03_drift_of_the_clocks_is_no_lateness() -> None:
    """A node clock 1 % fast for a day keeps obeying: drift is not delay."""
    core = RelayCore(KEY)
    for seq in range(1, 17_281):
        controller_s = 5.0 * seq
        assert core.receive(command(ON, seq, controller_s), False, controller_s * 1.01) == ""


def test_r04_off_overtaking_on_stays_off() -> None:
    """R04: off with number 8, then on with number 7."""
    core = heating(seq=6)
    core.receive(command(OFF, 8, 2.0), False, 2.0)
    assert core.receive(command(ON, 7, 1.0), False, 3.0) == "replayed"
    assert not core.advance(3.0)


def test_r05_a_thousand_copies_do_not_prolong_the_lease() -> None:
    """R05 I9: the lease ends 15 s after the first of them."""
    core, payload = heating(), command(ON, 1, 0.0)
    for tenth in range(1000):
        core.receive(payload, False, tenth / 70)
    assert core.advance(14.9)
    assert not core.advance(15.0)
    assert core.refused["replayed"] == 1000


def test_r08_a_forged_command_is_refused() -> None:
    """R08: without the key there is no heat; a changed field breaks the mac."""
    core = RelayCore(KEY)
    assert core.receive(command(ON, 1, 0.0, key=None), False, 0.0) == "unsigned"
    assert core.receive(command(ON, 1, 0.0, key=b"other"), False, 0.0) == "unsigned"
    genuine = command(READY, 1, 0.0)
    assert core.receive(genuine.replace(b'"on":false', b'"on":true'), False, 0.0) == "unsigned"
    assert not core.advance(0.0)


def test_c04_a_second_controller_gets_no_heat_while_the_first_holds_its_lease() -> None:
    """C04: an older epoch is refused always; another name is refused until the lease has run out; off never is."""
    core = heating()
    assert core.receive(command(ON, 9, 1.0, epoch=6), False, 1.0) == "older-epoch"
    assert core.receive(command(ON, 1, 1.0, epoch=8, by="other"), False, 1.0) == "second-controller"
    core.receive(command(OFF, 1, 2.0, epoch=8, by="other"), False, 2.0)
    assert not core.advance(2.0)
    core = heating()
    core.advance(15.0)
    assert core.receive(command(ON, 1, 16.0, epoch=8, by="other"), False, 16.0) == ""


@pytest.mark.parametrize(
    "payload",
    [
        b'{"on": false}',
        b'{"on":false,"mac":7}',
        command(OFF, 0, 0.0, key=None),
        command(OFF, 1, 0.0, epoch=0),
        command(READY, 1, 0.0),
    ],
)
def test_off_is_obeyed_however_broken_otherwise(payload: bytes) -> None:
    """I3: the opening needs no key, no number and no epoch."""
    core = heating(seq=5)
    core.receive(payload, False, 1.0)
    assert not core.advance(1.0)
    assert not core.on


@pytest.mark.parametrize("payload", [b"", b"offline", b"[]", b"\xff", b'{"on": 0}', b'{"on": true}', b"{" * 2000])
def test_what_cannot_be_read_is_refused_and_changes_nothing(payload: bytes) -> None:
    """B10: counted under its reason; the lease runs on as it was."""
    core = heating()
    assert core.receive(payload, False, 1.0) != ""
    assert core.advance(14.9)
    assert not core.advance(15.0)


STEPS = st.lists(
    st.tuples(
        st.floats(0.0, 20.0), st.sampled_from([ON, READY, OFF]), st.integers(0, 30), st.floats(0.1, 4000.0),
        st.booleans(), st.integers(6, 8), st.floats(-100.0, 5.0),
    ),
    max_size=60,
)  # fmt: skip


@settings(max_examples=300, deadline=None)
@given(STEPS)
def test_in_any_order_the_contact_is_closed_only_within_a_lease_it_accepted(steps: list) -> None:  # type: ignore[type-arg]
    """I1 I9: closed means an order to heat was accepted less than 15 s ago; refused ones change nothing of that."""
    core, now_s, accepted_s = RelayCore(KEY), 0.0, float("-inf")
    for wait_s, order, seq, lease_s, retained, epoch, issued in steps:
        now_s += wait_s
        assert not core.advance(now_s) or now_s - accepted_s < 15.0
        left_s = core.lease_ends_s
        answer = core.receive(command(order, seq, now_s + issued, lease_s, epoch), retained, now_s)
        if answer:
            assert core.lease_ends_s == left_s
        elif order.on:
            accepted_s = now_s
        if not order.on and not retained:
            assert not core.on
        assert not core.advance(now_s) or now_s - accepted_s < 15.0


@settings(max_examples=100, deadline=None)
@given(st.lists(st.integers(0, 40), min_size=2, max_size=80))
def test_each_obeyed_number_is_after_the_one_before(numbers: list[int]) -> None:
    """I9: reordered and repeated numbers are obeyed only upwards."""
    core, obeyed = RelayCore(KEY), []
    for tenth, seq in enumerate(numbers):
        if core.receive(command(ON, seq, tenth / 10), False, tenth / 10) == "":
            obeyed.append(seq)
    assert all(later > earlier for earlier, later in pairwise(obeyed))
