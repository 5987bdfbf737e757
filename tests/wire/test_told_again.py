"""A message that a broker tells again because our acknowledgement never reached it: one reading, kept once."""

import time
from collections.abc import Iterator
from contextlib import ExitStack, closing, contextmanager
from pathlib import Path

import pytest

from controller.clock import Clock
from controller.load_settings import load
from controller.wire.inbox import Inbox, Message
from tests.wire.kit import Bench, Mosquitto, Spy, through, throughout, until, write_site
from tests.wire.link import PUBACK, Link, topic_of

TOPIC, OUTSIDE = "soilward/larch/probe/soil-10", "soilward/larch/probe/outside"
MANY = 6
AGAIN = 0x08
"""The bit of a PUBLISH that says it was sent before. Source: MQTT 5.0, section 3.3.1.1."""


class Between:
    """An inbox that reaches its broker by a link, someone to publish, and how often the broker told something again."""

    def __init__(self, inbox: Inbox, link: Link, spy: Spy) -> None:
        self.inbox, self.link, self.spy = inbox, link, spy
        self.told_again = self.acknowledged = 0

    def watch(self, up: bool, first: int, body: bytes) -> None:
        """Count what is told again, and what is acknowledged."""
        self.told_again += bool(not up and first & AGAIN and topic_of(first, body) == TOPIC)
        self.acknowledged += bool(up and first >> 4 == PUBACK)

    def say(self, *payloads: str) -> list[Message]:
        """Publish, and return what the inbox hands on of it."""
        for payload in payloads:
            self.spy.publish(TOPIC, payload)
        found: list[Message] = []
        until("all are heard", lambda: len(found) >= len(payloads), 10.0, lambda: found.extend(self.inbox.drain(0.1)))
        return found

    def cut(self) -> None:
        """Break the connection and wait until there is another."""
        link = self.inbox.link_now.resumed_s
        self.link.mend()
        until("it is connected anew", lambda: self.inbox.link_now.resumed_s > link, 15.0)

    def hands_nothing_on(self) -> None:
        """Fail if the inbox hands on anything for a while."""
        throughout("told twice", lambda: not self.inbox.drain(0), 1.0)


@contextmanager
def _between(folder: Path, protocol: str) -> Iterator[Between]:
    with ExitStack() as stack:
        broker = Mosquitto(folder / "broker")
        broker.start()
        stack.callback(broker.stop)
        link = stack.enter_context(closing(Link(broker.port)))
        settings = load(write_site(folder, link.port, protocol=protocol))
        inbox = stack.enter_context(closing(Inbox(settings, "reader", [TOPIC], [], Clock())))
        between = Between(inbox, link, stack.enter_context(closing(Spy(through(settings, broker.port)))))
        link.watched_by(between.watch)
        inbox.open()
        until("it is connected", lambda: inbox.link_now.connected, 10.0)
        came: list[bytes] = []
        until("it hears", lambda: came, 10.0, lambda: came.extend(_asked(between)))
        # Told in order: behind this one no question is still on its way.
        between.spy.publish(TOPIC, "!")
        until("it has heard all", lambda: b"!" in came, 10.0, lambda: came.extend(_taken(between)))
        until("all is acknowledged", lambda: between.acknowledged >= len(came), 10.0)
        yield between


def _asked(between: Between) -> list[bytes]:
    between.spy.publish(TOPIC, "?")
    return _taken(between)


def _taken(between: Between) -> list[bytes]:
    found = between.inbox.drain(0.1)
    for message in found:
        between.inbox.acknowledge(message)
    return [message.payload for message in found]


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_what_waits_for_the_disk_as_the_link_breaks_is_handed_on_once_and_acknowledged_on_the_next(
    tmp_path: Path, protocol: str
) -> None:
    """All are told again and none is handed on again; once kept they are acknowledged, and told no more."""
    with _between(tmp_path, protocol) as between:
        waiting = between.say(*map(str, range(MANY)))
        between.cut()
        until("all are told again", lambda: between.told_again == MANY, 10.0)
        between.hands_nothing_on()
        before = between.acknowledged
        for message in waiting:
            between.inbox.acknowledge(message)
        until("all are acknowledged", lambda: between.acknowledged == before + MANY, 10.0)
        between.say("a fence behind them")
        between.cut()
        until("the fence is told again", lambda: between.told_again == MANY + 1, 10.0)
        between.hands_nothing_on()


def test_what_was_kept_while_the_link_was_away_is_acknowledged_as_it_is_told_again(tmp_path: Path) -> None:
    """The commit fell between two connections: the acknowledgement goes out with the telling, not never."""
    with _between(tmp_path, "5") as between:
        waiting = between.say("15.5")
        between.link.cut()
        until("it is away", lambda: not between.inbox.link_now.connected, 10.0)
        between.inbox.acknowledge(waiting[0])
        between.cut()
        until("it is told again", lambda: between.told_again == 1, 10.0)
        between.hands_nothing_on()
        between.cut()
        between.hands_nothing_on()
        assert between.told_again == 1


def test_an_acknowledgement_lost_on_a_silent_link_is_said_again_and_the_message_not_kept_again(tmp_path: Path) -> None:
    """The link had died and nobody knew: the acknowledgement went nowhere, and the broker tells it all again."""
    with _between(tmp_path, "5") as between:
        waiting = between.say("15.5", "15.5")
        between.link.lost_up = True
        for message in waiting:
            between.inbox.acknowledge(message)
        between.cut()
        until("both are told again", lambda: between.told_again == 2, 10.0)
        between.hands_nothing_on()
        between.cut()
        between.hands_nothing_on()
        assert between.told_again == 2


def test_what_was_given_up_is_handed_on_when_it_is_told_again(tmp_path: Path) -> None:
    """A message for which there was no room is not known: it is the only one of its kind when it comes again."""
    with _between(tmp_path, "5") as between:
        between.inbox.drop(between.say("15.5")[0])
        between.cut()
        assert [message.payload for message in between.inbox.drain(10.0)] == [b"15.5"]


def test_bare_numbers_over_a_link_that_breaks_are_kept_once_each(tmp_path: Path) -> None:
    """The whole way, with no stamp to know a reading by: as many rows as were said, though many are told again."""
    heard, told_again = set[bytes](), set[bytes]()

    def watch(up: bool, first: int, body: bytes) -> None:
        if not up and topic_of(first, body) == OUTSIDE:
            (told_again if first & AGAIN else heard).add(body)

    with Bench(tmp_path, watch) as bench:
        bench.node.silent.add("outside")
        bench.heat()
        said: list[float] = []
        for _ in range(3):
            for _ in range(3):
                # Closer ones are refused: no probe of the kind speaks twice within a quarter of a second.
                throughout("alive", lambda: bench.controller.is_alive, 1.5)
                said.append(len(said) / 64)
                bench.spy.publish(OUTSIDE, str(said[-1]))
            # The last ones are heard by now, and not acknowledged: that waits for the disk.
            until("it is heard", lambda: len(heard | told_again) >= len(said), 20.0)
            bench.controller_link.mend()
            mended_s = time.monotonic()
            until("it speaks again", lambda since_s=mended_s: bench.spy.statuses(after_s=since_s), 20.0)  # type: ignore[misc]
        assert told_again
        until("all are kept", lambda: len(set(_outside(bench))) >= len(said), 20.0)
        throughout("none is kept twice", lambda: _outside(bench) == said, 5.0)


def test_a_bare_number_that_a_broker_retains_is_not_kept_again_at_each_connection(tmp_path: Path) -> None:
    """It is told anew whenever we subscribe, and bears no time: each break of the link would make a reading more."""
    with Bench(tmp_path) as bench:
        bench.node.silent.add("outside")
        bench.heat()
        bench.spy.publish(OUTSIDE, "0.25", retain=True)
        until("it is kept", lambda: _outside(bench) == [0.25], 20.0)
        for _ in range(2):
            bench.controller_link.mend()
            mended_s = time.monotonic()
            until("it speaks again", lambda since_s=mended_s: bench.spy.statuses(after_s=since_s), 20.0)  # type: ignore[misc]
            throughout("none is kept again", lambda: _outside(bench) == [0.25], 4.0)


def _outside(bench: Bench) -> list[float]:
    return sorted(row[3] for row in bench.kept("outside") if row[3] < 1.0)
