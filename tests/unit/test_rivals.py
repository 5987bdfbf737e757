"""When a fight for our name is given up, when a connection flaps, and when a broker delivers nothing."""

from typing import Any

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


class Saying(mqtt.Client):
    """A client that keeps what it is to say, and whether it is to leave."""

    def __init__(self) -> None:
        super().__init__(CallbackAPIVersion.VERSION2)
        self.said: list[tuple[str, bytes, int, bool]] = []
        self.has_left = False

    def publish(self, topic: str, payload: Any = None, qos: int = 0, retain: bool = False, *_: Any) -> Any:
        """Keep it."""
        self.said.append((topic, payload, qos, retain))

    def disconnect(self, *_: Any) -> Any:
        """Leave."""
        self.has_left = True


TAKEN, LOST = (ReasonCode(PacketTypes.DISCONNECT, each) for each in ("Session taken over", "Unspecified error"))
CANARY = "hollow/presence/reader/canary"


@pytest.fixture
def clock() -> ManualClock:
    """Return a clock."""
    return ManualClock(Moment(1000.0, 0))


@pytest.fixture
def client() -> Saying:
    """Return a client that is connected nowhere."""
    return Saying()


@pytest.fixture
def presence(clock: ManualClock, client: Saying) -> Presence:
    """Return ours, whose canary has come back once."""
    one = Presence("hollow", "reader", clock)
    one.begin(client)
    one.look(client, True)
    one.take(client, client.said[-1][1], False)
    return one


def changed(presence: Presence, clock: ManualClock, client: Saying, connected: bool = True) -> list[int]:
    """Look each second for a while; returns when it was told of a change."""
    found = []
    for second in range(1, 25):
        clock.sleep(1.0)
        if presence.look(client, connected):
            found.append(second)
    return found


def test_b04_a_broker_that_delivers_nothing_is_told_until_it_delivers(
    presence: Presence, clock: ManualClock, client: Saying
) -> None:
    """Of three canaries none has come back: no heat; whatever comes back of them ends it, and so does a new link."""
    words = "the broker takes messages and delivers none"
    assert client.said[0] == ("hollow/presence/reader", b"online", 1, True)
    assert [(*each[:1], *each[2:]) for each in client.said[1:]] == [(CANARY, 1, True)]
    assert changed(presence, clock, client) == [20]
    assert (presence.fault, [*presence.notes(clock.now().mono_s)]) == (words, [("broker:link", words)])
    assert len(client.said) == 2 + 4
    presence.take(client, client.said[-1][1], False)
    assert presence.look(client, True)
    assert (presence.fault, len(client.said)) == ("", 2 + 4)
    assert changed(presence, clock, client) == [16]
    before = len(client.said)
    presence.begin(client)
    assert (presence.fault, presence.look(client, True), len(client.said)) == ("", False, before + 2)
    assert changed(presence, clock, client) == [15]
    before = len(client.said)
    assert changed(presence, clock, client, connected=False) == [1]
    assert (presence.fault, len(client.said)) == ("", before)


def test_b06_who_is_thrown_out_three_times_in_a_minute_yields(
    presence: Presence, clock: ManualClock, client: Saying
) -> None:
    """It connects no more, says nothing for the other to find, and there is no heat by it."""
    for _ in range(3):
        assert (presence.has_yielded, presence.fault) == (False, "")
        clock.sleep(10.0)
        presence.begin(client)
        presence.ended(client, TAKEN)
    assert (presence.has_yielded, client.has_left) == (True, True)
    before = len(client.said)
    presence.take(client, b"other 1", True)
    assert len(client.said) == before
    ((name, why),) = presence.notes(clock.now().mono_s)
    assert (name, why) == ("broker:link", presence.fault)
    assert why.startswith("another client keeps connecting as 'reader'; stop it")


@pytest.mark.parametrize(("other", "times"), [(b"z", 3), (b"!", 12)])
def test_b06_a_rivals_canary_found_on_coming_back_is_a_takeover(
    presence: Presence, clock: ManualClock, client: Saying, other: bytes, times: int
) -> None:
    """Of a broker that gives no reason. Ours is left there in its place; of the two the greater holds out longer."""
    for number in range(1, times + 1):
        assert not presence.has_yielded
        clock.sleep(10.0)
        presence.ended(client, LOST)
        presence.begin(client)
        before = len(client.said)
        presence.take(client, b"%s %d" % (other, number), True)
        assert [each[0] for each in client.said[before:]] == [CANARY] * (number < times)
    assert presence.has_yielded


def test_b06_one_takeover_that_is_told_twice_is_one(presence: Presence, clock: ManualClock, client: Saying) -> None:
    """By its reason, and by what lies there then; which is known at the next coming back, and what is new counts."""
    for number in (1, 2):
        presence.ended(client, TAKEN)
        presence.begin(client)
        presence.take(client, b"z %d" % number, True)
    presence.ended(client, LOST)
    presence.begin(client)
    presence.take(client, b"z 2", True)
    assert not presence.has_yielded
    presence.take(client, b"z 3", True)
    assert presence.has_yielded
