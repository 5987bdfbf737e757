"""Kill -9 of the controller while readings stream and the heater is on: heat ends, no reading is lost or doubled."""

import threading
import time
from pathlib import Path

import pytest

from controller.wire.senml import encode_senml
from tests.wire.kit import Bench, Spy, through, throughout, until
from tests.wire.link import PUBACK, Acknowledged, topic_of

HOUR_MS = 3_600_000
MOST = 4000


BARE = "soilward/larch/probe/outside"
AGAIN = 0x08
"""The bit of a PUBLISH that says it was sent before. Source: MQTT 5.0, section 3.3.1.1."""


class Backlog:
    """A node that was away and now tells its day: stamped readings of an hour ago, one a second by their stamps."""

    def __init__(self, spy: Spy) -> None:
        self._spy = spy
        self._first_ms = time.time_ns() // 1_000_000 - 3 * HOUR_MS
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run)
        self.stamps: list[int] = []
        self.by_payload: dict[bytes, int] = {}
        self._thread.start()

    def _run(self) -> None:
        topic = "soilward/larch/probe/outside"
        while not self._stop.wait(0.004) and len(self.stamps) < MOST:
            stamp_ms = self._first_ms + 1000 * len(self.stamps)
            payload = encode_senml("larch", "outside", "Cel", [(stamp_ms, len(self.stamps) / 1000)])
            self.by_payload[payload] = stamp_ms
            self._spy.client.publish(topic, payload, qos=1).wait_for_publish(5.0)
            self.stamps.append(stamp_ms)

    def end(self) -> None:
        """Stop publishing; every reading in `stamps` is with the broker then."""
        self._stop.set()
        self._thread.join(10.0)


def _stored(bench: Bench, first_ms: int, last_ms: int) -> list[int]:
    return [row[1] for row in bench.kept("outside") if first_ms <= row[1] <= last_ms]


def test_a_controller_killed_in_full_flow_lets_go_of_the_heater_and_keeps_every_reading_once(tmp_path: Path) -> None:
    """Contact open within 15 s; acknowledged means on disk; the rest comes again and is stored once."""
    wire = Acknowledged()
    with Bench(tmp_path, wire, lease_s=15.0) as bench:
        bench.node.silent.add("outside")
        bench.heat()
        teller = Spy(through(bench.settings, bench.broker.port), "teller")
        backlog = Backlog(teller)
        try:
            until("some are acknowledged, some not", lambda: _both(wire, backlog), 15.0)
            bench.controller.kill()
            open_after_s = _killed(bench, wire, backlog)
        finally:
            backlog.end()
            teller.close()
        assert open_after_s <= 16.0
        given_before = set(wire.given)
        waiting = given_before - wire.acknowledged
        bench.controller.start()
        span = (backlog.stamps[0], backlog.stamps[-1])
        until("all are stored", lambda: len(_stored(bench, *span)) >= len(backlog.stamps), 60.0)
        assert _stored(bench, *span) == backlog.stamps
        until("all are acknowledged", lambda: set(backlog.by_payload) <= wire.acknowledged, 30.0)
        assert all(wire.given.count(payload) == 2 for payload in waiting & set(backlog.by_payload))


def _both(wire: Acknowledged, backlog: Backlog) -> bool:
    ours = set(backlog.by_payload)
    return len(ours & wire.acknowledged) > 200 and len((ours & set(wire.given)) - wire.acknowledged) > 5


def _killed(bench: Bench, wire: Acknowledged, backlog: Backlog) -> float:
    """Check what must hold while the controller is dead; return how long the contact stayed closed [s]."""
    began_s = time.monotonic()
    acknowledged = {stamp for payload, stamp in list(backlog.by_payload.items()) if payload in wire.acknowledged}
    stored = set(_stored(bench, 0, 2**50))
    assert acknowledged
    assert acknowledged <= stored
    bench.open_within(16.0)
    return time.monotonic() - began_s


@pytest.mark.parametrize("form", ["%s", '[{"n":"outside","u":"Cel","v":%s}]'], ids=["bare", "a pack without a time"])
def test_numbers_without_a_stamp_are_kept_once_each_whenever_a_controller_is_killed(tmp_path: Path, form: str) -> None:
    """With no stamp to know them by: what was committed and not acknowledged comes again, and its receipt is known."""
    told: set[bytes] = set()
    told_again: set[bytes] = set()
    deaf = threading.Event()

    def watch(up: bool, first: int, body: bytes) -> None:
        if not up and topic_of(first, body) == BARE:
            (told_again if first & AGAIN else told).add(body)

    with Bench(tmp_path, watch) as bench:
        bench.controller_link.loses = lambda up, first, _body: up and first >> 4 == PUBACK and deaf.is_set()
        bench.node.silent.add("outside")
        bench.heat()
        said: list[float] = []
        for _ in range(3):
            # From here on the broker hears of nothing that is on disk already, as if the kill had come between.
            deaf.set()
            _say(bench, said, form)
            until("they are on disk", lambda: len(set(_bare(bench))) == len(said), 20.0)
            _say(bench, said, form)
            until("it has been told all", lambda: len(told) == len(said), 20.0)
            bench.controller.kill()
            deaf.clear()
            bench.controller.start()
            # Said sooner, the next ones might go down the dead link unseen.
            until("it has been told all again", lambda: len(told_again) == len(said), 20.0)
        until("all are kept", lambda: len(set(_bare(bench))) == len(said), 30.0)
        throughout("none is kept twice", lambda: _bare(bench) == said, 6.0)


def _say(bench: Bench, said: list[float], form: str) -> None:
    for _ in range(2):
        said.append(len(said) / 64)
        bench.spy.publish(BARE, form % said[-1])
        # Closer ones are refused: no probe of the kind speaks twice within a quarter of a second.
        time.sleep(1.5)


def _bare(bench: Bench) -> list[float]:
    return sorted(row[3] for row in bench.kept("outside") if row[3] < 1.0)
