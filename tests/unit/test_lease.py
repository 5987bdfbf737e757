"""When an order must be sent."""

import random

import pytest

from controller.node.relay_core import RelayCore
from controller.safety.lease import Order, Sent, due
from controller.wire.relay import encode_command

ON, READY, OFF = Order(True, True, "a"), Order(False, True, "a"), Order(False, False, "a")


def test_the_first_order_is_sent() -> None:
    """A node that was never told is told, even off."""
    assert due(OFF, None, 0.0)


@pytest.mark.parametrize(("order", "before"), [(ON, READY), (READY, ON), (OFF, READY), (READY, OFF), (OFF, ON)])
def test_a_change_of_either_contact_is_sent_at_once(order: Order, before: Order) -> None:
    """On, ready and off are three different orders."""
    assert due(order, Sent(before, 100.0), 100.0)


@pytest.mark.parametrize(
    ("elapsed_s", "is_due"), [(0.0, False), (4.99, False), (5.0, True), (5.01, True), (99.0, True)]
)
@pytest.mark.parametrize("order", [ON, READY, OFF])
def test_the_same_order_is_renewed_every_5_s(order: Order, elapsed_s: float, is_due: bool) -> None:
    """Three renewals to a lease of 15 s; off is repeated as well, for it may have been lost."""
    assert due(order, Sent(order, 100.0), 100.0 + elapsed_s) is is_due


def test_the_first_seconds_of_the_clock_are_like_any_other() -> None:
    """Six seconds are six seconds, also from second three on."""
    assert due(ON, Sent(ON, 3.0), 9.0)
    assert not due(ON, Sent(ON, 3.0), 7.9)


def test_other_words_for_the_same_order_are_no_change() -> None:
    """The reason is for people; it does not make traffic."""
    assert not due(Order(False, False, "b"), Sent(OFF, 100.0), 101.0)


@pytest.mark.parametrize(("lease_s", "every_s"), [(15.0, 5.0), (12.0, 4.0), (7.5, 2.5), (6.0, 2.0)])
def test_a_shorter_lease_is_renewed_as_often(lease_s: float, every_s: float) -> None:
    """Three times, whatever settings say."""
    assert due(ON, Sent(ON, 100.0), 100.0 + every_s, lease_s)
    assert not due(ON, Sent(ON, 100.0), 99.99 + every_s, lease_s)


@pytest.mark.parametrize("lease_s", [6.0, 15.0])
def test_the_shortest_lease_does_not_lapse_between_two_ticks(lease_s: float) -> None:
    """A loop that wakes some ms late each second, and a network that takes some tens: not one lapse in an hour.

    Each of them would cost the next half minute its heat.
    """
    chance, core, sent = random.Random(1), RelayCore(None), None
    for second in range(3600):
        tick_s = second + chance.uniform(0.0, 0.005)
        if due(ON, sent, tick_s, lease_s):
            sent = Sent(ON, tick_s)
            command = encode_command(ON, lease_s, 1, second + 1, 1_772_400_000_000 + round(1000 * tick_s), "c", None)
            assert core.receive(command, False, tick_s + chance.uniform(0.005, 0.08)) == ""
        core.advance(second + 0.99)
    assert core.drops == 0
