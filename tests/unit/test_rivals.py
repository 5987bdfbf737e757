"""When a fight for our name is given up, and when a connection flaps."""

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.reasoncodes import ReasonCode

from controller.clock import ManualClock, Moment
from controller.wire.flaps import Flaps
from controller.wire.presence import Presence
from controller.wire.rivals import Rivals


@pytest.mark.parametrize(("times_s", "yields"), [((0, 30), False), ((0, 30, 60), True), ((0, 30, 60.1), False)])
def test_three_takeovers_within_a_minute_end_it(times_s: tuple[float, ...], yields: bool) -> None:
    """At 60 s still, at 60.1 s no more; two are a restart somewhere."""
    rivals = Rivals()
    assert [rivals.took_over(at_s) for at_s in times_s][-1] is yields


@pytest.mark.parametrize(("takeovers", "every_s", "yields"), [(11, 1.0, False), (12, 1.0, True), (12, 240 / 11, True)])
def test_who_holds_out_does_so_four_times_as_long(takeovers: int, every_s: float, yields: bool) -> None:
    """Long after the other should have yielded, by the same pace of three in a minute; slower is no fight."""
    rivals = Rivals()
    assert [rivals.took_over(number * every_s, holds_out=True) for number in range(takeovers)][-1] is yields
    slower = Rivals()
    assert not any(slower.took_over(number * 21.9, holds_out=True) for number in range(40))


def test_once_yielded_it_stays_so() -> None:
    """A day later too."""
    rivals = Rivals()
    for at_s in range(3):
        rivals.took_over(at_s)
    assert rivals.took_over(86_400.0)
    assert rivals.have_won


@pytest.mark.parametrize(("every_s", "flaps"), [(8.0, True), (150.0, True), (150.1, False)])
def test_five_losses_in_ten_minutes_are_flapping(every_s: float, flaps: bool) -> None:
    """Four are told one by one; the fifth within 600 s makes it an alert, which ends ten minutes later."""
    one = Flaps()
    told = [one.lost(number * every_s) for number in range(5)]
    assert told == [True] * 4 + [not flaps]
    assert one.is_flapping(4 * every_s) is flaps
    assert not one.is_flapping(4 * every_s + 601.0)


@pytest.mark.parametrize(("reason", "notes"), [("Unspecified error", ["broker:flaps"]), ("Normal disconnection", [])])
def test_a_session_that_ends_again_and_again_is_told_unless_it_ends_in_order(reason: str, notes: list[str]) -> None:
    """Four ends are none, the fifth is; and nothing else is said of it."""
    presence = Presence("soilward", "reader", ManualClock(Moment(1000.0, 0)))
    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    told = []
    for _ in range(5):
        presence.ended(client, ReasonCode(PacketTypes.DISCONNECT, reason))
        told.append([name for name, _ in presence.notes(1000.0)])
    assert told == [[]] * 4 + [notes]
    assert not presence.has_yielded
